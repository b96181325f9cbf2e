"""Seeded faults in overlapped takes: is every take that a fault harmed doubted?

    python tests/benchmarks/overlapped_faults.py [TRIALS] [SEED]

One seat of the garden studio is learned one output at a time; then a passage of all outputs
with overlapping sweeps of 0.5 s is recorded once clean and once for every trial with a fault
of random kind, moment, length and strength. A take is harmed when its response differs from
the clean one by more than -30 dB of its energy, and by 6 dB more than clean ones among
each other do. Prints for each kind how many takes were
harmed, how many of them were graded good (what must not be), and how many unharmed ones were
to be made again (what costs time).
"""

from __future__ import annotations

import sys
import time
from collections import Counter

import numpy as np

from roomtune.capture.requests import CaptureSettings, output_requests
from roomtune.capture.together import capture_passage, plan_seat
from roomtune.capture.ways import Learner
from roomtune.system.reading import read_system
from roomtune.virtual import Fault, VirtualRoom
from roomtune.virtual.scenario import load_scenario

SETTINGS = CaptureSettings(sweep_duration_s=0.5, maximum_attempts=1)
HARMED_DB, MARGIN_DB = -30.0, 6.0
KINDS = (
    "lost playback block", "lost recording block", "repeated recording block",
    "digital silence", "clipping", "level jump", "click", "burst", "not finite",
)  # fmt: skip


def drawn(random: np.random.Generator, total_s: float) -> Fault:
    """A fault of random kind, moment, length (2 to 100 ms) and strength."""
    kind = KINDS[int(random.integers(len(KINDS)))]
    low_db, high_db = {"clipping": (1, 12), "level jump": (-6, 6)}.get(kind, (-40, -6))
    return Fault(
        kind,
        at_s=float(random.uniform(0.0, total_s)),
        length_s=float(np.exp(random.uniform(np.log(0.002), np.log(0.1)))),
        gain_db=float(random.uniform(low_db, high_db)),
    )


def off_db(take, clean) -> float:
    """Energy of the difference from the clean response, re that response."""
    mine, right = take.impulse_response.samples, clean.impulse_response.samples
    if mine.shape != right.shape:
        return 0.0
    return float(10 * np.log10(np.sum((mine - right) ** 2) / np.sum(right**2) + 1e-12))


def trials(count: int, seed: int) -> None:
    """Run them all, and print the table."""
    scenario = load_scenario("garden-studio")
    system = read_system(scenario.system_path)
    room, learner = VirtualRoom(scenario, system), Learner("learning")
    first, second = (seat.name for seat in system.seats[:2])
    room.move_microphone(first)
    learner.capture(room, output_requests(system, SETTINGS, first))
    room.move_microphone(second)
    plan = plan_seat(output_requests(system, SETTINGS, second), learner.room)
    whole = plan.together
    clean = {item.take.source: item.take for item in capture_passage(room, whole)}
    repeats = [item.take for _ in range(2) for item in capture_passage(room, whole)]
    floors_db = {name: max(off_db(t, clean[name]) for t in repeats if t.source == name)
                 for name in clean}  # fmt: skip
    worst_db = max(floors_db.values())
    print(f"{len(clean)} outputs, {plan.time_s:.1f} s; clean {worst_db:.0f} dB off at most")
    random = np.random.default_rng(seed)
    table = {kind: Counter() for kind in KINDS}
    for number in range(count):
        fault = drawn(random, plan.time_s)
        room.spoil_next(fault)
        for item in capture_passage(room, whole):
            take, counts = item.take, table[fault.kind]
            least_db = max(HARMED_DB, floors_db[take.source] + MARGIN_DB)
            harmed = off_db(take, clean[take.source]) > least_db
            counts["harmed" if harmed else "unharmed"] += 1
            if harmed and take.verdict.grade == "good":
                counts["harmed, good"] += 1
                print(f"  trial {number}: {take.source} is graded good after {fault}")
            if not harmed and take.verdict.grade == "repeat":
                counts["unharmed, repeat"] += 1
        table[fault.kind]["trials"] += 1
    columns = ("trials", "harmed", "harmed, good", "unharmed", "unharmed, repeat")
    print(f"{'fault':<26}" + "".join(f"{name:>18}" for name in columns))
    for kind, counts in table.items():
        print(f"{kind:<26}" + "".join(f"{counts[name]:>18}" for name in columns))


if __name__ == "__main__":
    begin = time.process_time()
    words = [int(word) for word in sys.argv[1:]]
    trials(words[0] if words else 100, words[1] if len(words) > 1 else 0)
    print(f"{time.process_time() - begin:.0f} s of processor")
