"""How long a report of 12 outputs and 6 seats takes, and how large it is.

python tests/benchmarks/report_speed.py
"""

from __future__ import annotations

import pathlib
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace

import numpy as np

sys.path.insert(0, str(pathlib.Path(__file__).parents[1] / "session"))
import conftest as rooms

from roomtune.advisor.measured import Measured, measured_from_responses
from roomtune.advisor.prediction import predict
from roomtune.advisor.proposal import Advice, Proposal
from roomtune.advisor.starting import starting_tuning
from roomtune.capture.take import Take
from roomtune.processor.tuning import Filter
from roomtune.report.content import Content
from roomtune.report.html import write_report
from roomtune.session.comparison import compare
from roomtune.session.folder import Session
from roomtune.session.verification import verify
from roomtune.signal.sweeps import Sweep
from roomtune.signal.values import ImpulseResponse
from roomtune.system.model import System
from roomtune.system.reading import system_from_toml
from roomtune.system.template import new_system_toml


def system_text(seat_count: int = 6) -> str:
    """7.1 with two-way fronts and two subwoofers, twelve outputs in all, and some seats."""
    seats = [f"seat {number}" for number in range(1, seat_count + 1)]
    return new_system_toml("7.1", name="speed", front_ways=2, subwoofers=2, seats=seats)


def large_content(seat_count: int = 6) -> Content:
    """Twelve outputs, eight channels, several seats, one second of response each."""
    system = system_from_toml(system_text(seat_count))
    samples = np.pad(rooms.make_responses(system), ((0, 0), (0, 0), (0, 38400)))
    measured = measured_from_responses(system, ImpulseResponse(samples, rooms.RATE))
    bare = starting_tuning(system)
    cut = Filter("peaking", 150.0, q=4.0, gain_db=-5.0)
    outputs = tuple(replace(o, filters=(*o.filters, cut, cut)) for o in bare.outputs)
    tuning = replace(bare, outputs=outputs)
    prediction = predict(tuning, measured)
    proposals = tuple(
        Proposal("equaliser", f"output {i}", "six filters", "a peak at all seats", "flatter", 2.0)
        for i in range(40)
    )
    advice = Advice(tuning, proposals, prediction, predict(bare, measured), bare)
    channels = rooms.Bench(system, measured, tuning, prediction).takes()
    verification = verify(system, prediction, channels, tuning=tuning, measured=measured)
    comparison = compare(system, measured, measured, tuning)
    outputs = output_takes(system, measured, channels[0])
    return Content(
        system, "speed", "2026-03-01T20:15:00+00:00", "", (), measured, advice, verification,
        comparison, (*outputs, *channels),
    )  # fmt: skip


def output_takes(system: System, measured: Measured, like: Take) -> list[Take]:
    """Takes of all outputs at all seats with these responses."""
    rate = measured.responses.sample_rate_hz
    return [
        replace(
            like, source=output.name, kind="output", seat=seat, level_dbfs=-20.0,
            stimulus=Sweep(*output.safe_band_hz, 3.0, rate),
            impulse_response=measured.responses[row, column],
        )
        for row, output in enumerate(system.outputs)
        for column, seat in enumerate(measured.seats)
    ]  # fmt: skip


def command_times(folder: pathlib.Path, told: Content) -> tuple[float, float]:
    """Seconds, of the clock and of the processor, that `roomtune report` takes on a session."""
    (folder / "system.toml").write_text(system_text())
    session = Session.create(folder, "speed", folder / "system.toml")
    for take in told.takes:
        session.add(take)
    assert told.advice is not None
    assert told.verification is not None
    through = session.save_advice(told.advice).name
    session.save_verification(replace(told.verification, through=through))
    begin, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    program = "from roomtune.cli.main import main; main()"
    command = [sys.executable, "-c", program, "report", "--session", "speed"]
    subprocess.run(command, cwd=folder, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return time.perf_counter() - begin, used


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
    lines = index.index_lines(replace(plain, takes=tuple(takes), files=listed))
    (session.path / "session.json").write_bytes(b"".join(lines))
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
        spent, used = command_times(pathlib.Path(name), told)
        print(f"roomtune report as a command: {spent:.2f} s ({used:.2f} s of one core)")
        opened, best = session_times(pathlib.Path(name))
        print(f"open 3000 takes: {opened:.3f} s; choose the best: {best:.3f} s")
