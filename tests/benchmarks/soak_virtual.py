"""Takes in the virtual room, one after another in one process: does memory stay flat?

    python tests/benchmarks/soak_virtual.py [TAKES]

Sweeps of 0.5 s in the attic of the scenarios, every take judged, kept in a session and
forgotten, as `roomtune measure` does. A line for every hundredth take; at the end the
growth per thousand takes after the first fifth and after the first half (a straight line
through all samples; the index of the session itself takes about 2 MiB per thousand), and
what was found in takes that were not good.
"""

from __future__ import annotations

import itertools
import os
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np

from roomtune.capture.measure import capture_take
from roomtune.capture.requests import CaptureSettings, output_requests
from roomtune.session.folder import Session
from roomtune.system.reading import read_system
from roomtune.virtual import VirtualRoom
from roomtune.virtual.scenario import load_scenario

SETTINGS = CaptureSettings(sweep_duration_s=0.5, lead_s=0.4, end_s=0.2)
EVERY = 20
TOLD = 100


def resident_mb() -> float:
    """Memory of this process in MiB."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def takes(count: int, folder: Path) -> tuple[np.ndarray, Counter[str]]:
    """Make and keep them; (takes, resident MiB) in steps, and what was found."""
    scenario = load_scenario("attic-stereo")
    system = read_system(scenario.system_path)
    room = VirtualRoom(scenario, system)
    session = Session.create(folder, "soak", scenario.system_path)
    requests = [r for seat in system.seats for r in output_requests(system, SETTINGS, seat.name)]
    found: Counter[str] = Counter()
    memory = []
    begin = time.process_time()
    for number, request in enumerate(itertools.islice(itertools.cycle(requests), count), 1):
        room.move_microphone(request.seat)
        room.switch_to(request.source if request.by_hand else None)
        captured = capture_take(room, request)
        verdict = captured.take.verdict
        if verdict.grade != "good":
            found.update(f"{verdict.grade}: {finding.code}" for finding in verdict.findings)
        session.add(captured)
        if number % EVERY == 0:
            memory.append((number, resident_mb()))
        if number % TOLD == 0:
            spent_s = time.process_time() - begin
            resident = f"{memory[-1][1]:.1f} MiB resident"
            print(f"{number:>6} takes  {resident}  {spent_s:.0f} s of processor", flush=True)
    assert len(Session.open(session.path).entries()) == count
    return np.array(memory), found


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    with tempfile.TemporaryDirectory() as folder:
        memory, found = takes(count, Path(folder))
    for part, name in ((1 / 5, "fifth"), (1 / 2, "half")):
        late = memory[memory[:, 0] > count * part]
        slope = np.polyfit(late[:, 0], late[:, 1], 1)[0] * 1000
        print(f"growth after the first {name}: {slope:+.1f} MiB per thousand takes")
    print(f"largest {memory[:, 1].max():.1f} MiB")
    print("not good:", dict(found) or "none")
