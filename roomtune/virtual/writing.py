"""Writing a scenario as a folder: room.toml, system.toml and the microphone's correction."""

from __future__ import annotations

import pathlib
from typing import Any

import numpy as np

from roomtune.system.model import Part, System
from roomtune.virtual.drivers import microphone_response
from roomtune.virtual.scenario import Scenario, TrueMicrophone


def write_scenario(folder: str | pathlib.Path, scenario: Scenario, system: System) -> None:
    """Write what `load_scenario` and `read_system` read back, into an existing folder."""
    place = pathlib.Path(folder)
    (place / "system.toml").write_text(_toml(system), encoding="utf-8")
    (place / "room.toml").write_text(_toml(scenario), encoding="utf-8")
    if system.microphone.correction_file is not None:
        table = microphone_table(scenario.microphone)
        (place / system.microphone.correction_file).write_text(table, encoding="utf-8")


def microphone_table(microphone: TrueMicrophone) -> str:
    """The correction file of a virtual microphone, 40 rows per decade from 10 Hz to 22 kHz."""
    frequencies_hz = np.round(10 ** np.arange(1, 4.36, 0.025), 2)
    levels_db = 20 * np.log10(np.abs(microphone_response(microphone, frequencies_hz)))
    head = (
        "* Response of this microphone re its sensitivity, at 0 degrees: subtract it.\n"
        f"* Sensitivity {microphone.sensitivity_dbfs_at_94_db:g} dB re full scale at 1 Pa\n"
        "* frequency/Hz  level/dB\n"
    )
    rows = zip(frequencies_hz, levels_db, strict=True)
    return head + "".join(f"{hz:10.2f} {level:8.3f}\n" for hz, level in rows)


def _toml(part: Part) -> str:
    import tomlkit

    values: dict[str, Any] = part.model_dump(mode="json", exclude_none=True, exclude_defaults=True)
    return tomlkit.dumps(values)
