"""Overlapped takes in virtual rooms: how many are doubted without cause, and time saved.

    python tests/benchmarks/overlapped_takes.py [RANDOM_ROOMS]

The scenarios and as many random rooms: one seat is measured one by one, the others with
overlapping sweeps by what that taught, as `roomtune measure` does. Nothing is spoilt on
purpose, so whatever is found in a take at 30 dB signal-to-noise and more is a false alarm,
save for takes whose own output distorts or is faint. Of overlapped ones the first passage
at a seat counts.
"""

from __future__ import annotations

import sys
import time
from collections import Counter

import numpy as np

from roomtune.capture.requests import CaptureSettings, output_requests
from roomtune.capture.ways import Learner
from roomtune.system.reading import read_system
from roomtune.virtual import VirtualRoom
from roomtune.virtual.random import random_scenario
from roomtune.virtual.scenario import load_scenario

NAMED = ("garden-studio", "barn-cinema")
SETTINGS = CaptureSettings(sweep_duration_s=2.0, maximum_attempts=2)
SEATS = 4
LEAST_SNR_DB = 30.0


class Counted:
    """A virtual room that counts what it plays: seconds, and passages since the last seat."""

    def __init__(self, room: VirtualRoom) -> None:
        self.room = room
        self.sample_rate_hz = room.sample_rate_hz
        self.played_s = 0.0
        self.passages = 0

    def play_and_record(self, signals, inputs):
        self.played_s += len(signals) / self.sample_rate_hz
        self.passages += 1
        return self.room.play_and_record(signals, inputs)


def loud(take) -> bool:
    """Whether the take is at 30 dB signal-to-noise or more, on the median over octaves."""
    return float(np.median([ratio for _, ratio in take.octave_snr_db] or [0])) >= LEAST_SNR_DB


def known(name):
    """A scenario that comes with roomtune, and its system."""
    scenario = load_scenario(name)
    return scenario, read_system(scenario.system_path)


def measured(scenario, system, found):
    """Measure one room; seconds at the first seat, and at each of the others."""
    room = VirtualRoom(scenario, system)
    interface, learner, spent_s = Counted(room), Learner("learning"), []
    for seat in system.seats[:SEATS]:
        room.move_microphone(seat.name)
        requests = output_requests(system, SETTINGS, seat.name)
        requests = [request for request in requests if not request.by_hand]
        way = "overlapped" if learner.packs(requests) else "alone"
        before_s, interface.passages = interface.played_s, 0

        def count(captured, way=way, place=(scenario.name, seat.name)):
            take = captured.take
            if loud(take) and (way == "alone" or interface.passages == 1):
                codes = tuple(f.code for f in take.verdict.findings if f.grade != "good")
                found[way][codes or ("good",)] += 1
                for finding in take.verdict.findings:
                    if finding.grade != "good":
                        print(f"    {way}: {'/'.join(place)} {take.source}: {finding.text}")

        learner.capture(interface, requests, on_captured=count)
        spent_s.append(interface.played_s - before_s)
    return spent_s


if __name__ == "__main__":
    rooms = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    found = {"alone": Counter(), "overlapped": Counter()}
    begin = time.process_time()
    places = [*map(known, NAMED), *(random_scenario(seed) for seed in range(rooms))]
    for scenario, system in places:
        first_s, *others_s = measured(scenario, system, found)
        shares = ", ".join(f"{other_s / first_s:.2f}" for other_s in others_s)
        print(
            f"{scenario.name}: {first_s:.0f} s of sound at the first seat, "
            f"{shares} of it at the others",
            flush=True,
        )
    for way, counts in found.items():
        total = sum(counts.values())
        print(f"{way}: {total} takes at {LEAST_SNR_DB:g} dB and more, {dict(counts)}")
    print(f"{time.process_time() - begin:.0f} s of processor")
