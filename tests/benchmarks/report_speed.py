"""How long a report of 12 outputs and 6 seats takes, and how large it is.

python tests/benchmarks/report_speed.py
"""

from __future__ import annotations

import pathlib
import sys
import tempfile
import time
from dataclasses import replace

import numpy as np

sys.path.insert(0, str(pathlib.Path(__file__).parents[1] / "session"))
import conftest as rooms

from roomtune.advisor.measured import measured_from_responses
from roomtune.advisor.prediction import predict
from roomtune.advisor.proposal import Advice, Proposal
from roomtune.report.content import Content
from roomtune.report.html import write_report
from roomtune.session.comparison import compare
from roomtune.session.folder import Session
from roomtune.session.verification import verify
from roomtune.signal.values import ImpulseResponse
from roomtune.system.model import Loudspeaker, Output, Playback, Seat


def large_content(seat_count: int = 6) -> Content:
    """Twelve outputs, four channels, several seats, one second of response each."""
    system = rooms.make_system()
    outputs, loudspeakers = list(system.outputs), list(system.loudspeakers)
    for number in range(8, 13):
        loudspeakers.append(Loudspeaker(name=f"sub {number}"))
        outputs.append(
            Output(
                name=f"sub {number}", number=number, loudspeaker=f"sub {number}",
                driver="subwoofer", playback=Playback(interface_output=number),
                safe_band_hz=(20.0, 200.0),
            )
        )  # fmt: skip
    seats = (*system.seats, *(Seat(name=f"seat {i}") for i in range(3, seat_count + 1)))
    system = system.model_copy(
        update={"outputs": tuple(outputs), "loudspeakers": tuple(loudspeakers), "seats": seats}
    )
    samples = np.pad(rooms.make_responses(system), ((0, 0), (0, 0), (0, 38400)))
    measured = measured_from_responses(system, ImpulseResponse(samples, rooms.RATE))
    tuning = rooms.make_tuning(system)
    prediction = predict(tuning, measured)
    proposals = tuple(
        Proposal("equaliser", f"output {i}", "six filters", "a peak at all seats", "flatter", 2.0)
        for i in range(40)
    )
    bare = replace(tuning, outputs=tuple(replace(o, filters=()) for o in tuning.outputs))
    advice = Advice(tuning, proposals, prediction, predict(bare, measured), bare)
    bench = rooms.Bench(system, measured, tuning, prediction)
    verification = verify(system, prediction, bench.takes(), tuning=tuning, measured=measured)
    comparison = compare(system, measured, measured, tuning)
    return Content(
        system, "speed", "2026-03-01T20:15:00+00:00", "", (), measured, advice, verification,
        comparison, bench.takes(),
    )  # fmt: skip


def large_session(folder: pathlib.Path, count: int) -> pathlib.Path:
    """The path of a session with an index of so many takes of 60 seats, one of them real."""
    from roomtune.session import index

    (folder / "system.toml").write_text("")
    session = Session.create(folder, "large", folder / "system.toml")
    entry = session.add(large_take())
    plain = session._index
    files = {k: v for k, v in plain.files.items() if k.startswith("takes/")}
    takes, listed = [], dict(plain.files)
    for number in range(1, count + 1):
        name = f"takes/{number:04d}-L-main.json"
        takes.append(replace(entry, number=number, file=name, seat=f"seat {number % 60}"))
        listed |= {k.replace("0001", f"{number:04d}"): v for k, v in files.items()}
        (session.path / name).touch()
    text = index.index_text(replace(plain, takes=tuple(takes), files=listed))
    (session.path / "session.json").write_bytes(text)
    return session.path


def session_times(folder: pathlib.Path) -> tuple[float, float]:
    """Seconds to open a session of 3000 takes, and to list what is to be used of them."""
    path = large_session(folder, 3000)
    start = time.perf_counter()
    back = Session.open(path)
    middle = time.perf_counter()
    assert len(back.best()) == 60
    return middle - start, time.perf_counter() - middle


def large_take():  # type: ignore[no-untyped-def]
    """Any take."""
    system = rooms.make_system()
    measured = measured_from_responses(
        system, ImpulseResponse(rooms.make_responses(system), rooms.RATE)
    )
    tuning = rooms.make_tuning(system)
    return rooms.Bench(system, measured, tuning, predict(tuning, measured)).takes()[0]


if __name__ == "__main__":
    told = large_content()
    with tempfile.TemporaryDirectory() as name:
        for turn in ("first", "second"):
            begin, cpu = time.perf_counter(), time.process_time()
            path = write_report(pathlib.Path(name) / "report.html", replace(told))
            print(
                f"report, {turn} time: {time.perf_counter() - begin:.2f} s "
                f"({time.process_time() - cpu:.2f} s of one core), "
                f"{path.stat().st_size / 1e6:.2f} MB"
            )
        opened, best = session_times(pathlib.Path(name))
        print(f"open 3000 takes: {opened:.3f} s; choose the best: {best:.3f} s")
