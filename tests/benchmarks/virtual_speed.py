"""Speed of the virtual room. Run: python tests/benchmarks/virtual_speed.py."""

from __future__ import annotations

import statistics
import time

import numpy as np

from roomtune.system.reading import read_system
from roomtune.virtual import VirtualRoom, load_scenario, shipped_scenarios
from roomtune.virtual.acoustics import room_transfer
from roomtune.virtual.random import random_scenario


def building(room: VirtualRoom) -> float:
    """Seconds until the responses of every output at every seat are known."""
    room_transfer.cache_clear()
    start = time.perf_counter()
    for output in room.chain.outputs:
        for seat in room.chain.seats:
            room.truth(output, seat, with_microphone=True)
    return time.perf_counter() - start


def playing(room: VirtualRoom, columns: int) -> float:
    """Median seconds for 5 s of sound on the first interface outputs, all imperfections on."""
    signals = np.zeros((240000, len(room.chain.outputs)))
    signals[:, :columns] = 0.05 * np.random.default_rng(0).standard_normal((240000, 1))
    times = []
    for _ in range(5):
        start = time.perf_counter()
        room.play_and_record(signals, [1])
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def main() -> None:
    """Print a table: how long a room takes to build and to play in."""
    print(f"{'scenario':24}{'responses':>10}{'build s':>9}{'play 1 s':>9}{'play 4 s':>9}")
    cases = {name: load_scenario(name) for name in shipped_scenarios()}
    rooms = {name: VirtualRoom(case, read_system(case.system_path)) for name, case in cases.items()}
    rooms["7.1, 4 subs, 9 seats"] = VirtualRoom(
        *random_scenario(1, layout="7.1", subwoofers=4, seats=9)
    )
    next(iter(rooms.values())).quiet().play_and_record(np.zeros((100, 1)), [1])
    for name, room in rooms.items():
        room.switch_to(next(iter(room.chain.outputs)))
        count = len(room.chain.outputs) * len(room.chain.seats)
        built, one, four = building(room), playing(room, 1), playing(room, 4)
        print(f"{name:24}{count:10}{built:9.2f}{one:9.3f}{four:9.3f}")


if __name__ == "__main__":
    main()
