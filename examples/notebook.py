"""From a measured session to a tuning, and what another tuning would do, in a few lines.

Run it in the folder of a project, or give the folder:

    python examples/notebook.py rehearsal
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

from roomtune import Measured, Session, System, Tuning, plan, predict, read_system
from roomtune.advisor.measured import measured_from_takes
from roomtune.advisor.scores import scores
from roomtune.analysis.arrival import arrival
from roomtune.analysis.microphone import read_correction
from roomtune.session.folder import latest


def main(folder: Path) -> None:
    """Print arrivals, the advised tuning's figures, and those of a changed one."""
    session = latest(folder)
    system = read_system(session.system_path)
    measured = measured_of(session, system)
    print_arrivals(system, measured)

    advice = plan(system, measured)
    print("advised:       ", figures(system, measured, advice.tuning))
    print("polarity wrong:", figures(system, measured, inverted(advice.tuning, 0)))


def measured_of(session: Session, system: System) -> Measured:
    """All outputs at all seats, the microphone's own response divided out."""
    name = system.microphone.correction_file
    correction = read_correction(session.system_path.parent / name) if name else None
    return measured_from_takes(system, session.takes(kind="output"), correction)


def print_arrivals(system: System, measured: Measured) -> None:
    """One line per output: when its sound arrives at the first seat, and how sure that is."""
    for index, name in enumerate(measured.outputs):
        low_hz, high_hz = measured.bands_hz[index]
        time = arrival(measured.responses[index, 0], (low_hz, high_hz))
        when = f"{1000 * time.time_s:8.3f} ms ± {1000 * time.uncertainty_s:.3f}"
        print(f"{system.output(name).number:3d} {name:16} {when}")


def figures(system: System, measured: Measured, tuning: Tuning) -> str:
    """What a tuning will do at the seats, in two figures."""
    result = predict(tuning, measured)
    judged = scores(system, result.channels, result.seats, result.response)
    return (
        f"{judged.deviation_db:.2f} dB off the target, "
        f"channel levels within {judged.level_spread_db:.2f} dB"
    )


def inverted(tuning: Tuning, place: int) -> Tuning:
    """The tuning with the polarity of one output the other way; the given one stays as it is."""
    outputs = list(tuning.outputs)
    outputs[place] = replace(outputs[place], inverted=not outputs[place].inverted)
    return replace(tuning, outputs=tuple(outputs))


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path())
