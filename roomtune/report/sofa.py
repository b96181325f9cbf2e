"""Measured responses as an AES69 SOFA file, convention SingleRoomMIMOSRIR.

Measurements are the seats, the one receiver is the microphone, emitters are
the outputs (AES69-2022, data type FIR-E: Data.IR is seats x 1 x samples x
outputs). Needs the extra `sofa`.
"""

from __future__ import annotations

import os
import warnings
from pathlib import Path
from typing import Any

import numpy as np

from roomtune.advisor.measured import Measured
from roomtune.errors import RoomtuneError
from roomtune.session.storage import UNFINISHED, told_plainly
from roomtune.system.model import System


def export_sofa(path: Path | str, measured: Measured, system: System, date: str) -> Path:
    """Write the responses of all outputs at all seats; RoomtuneError without the extra.

    `date`: "YYYY-MM-DD hh:mm:ss" for the file. Positions that system.toml does
    not give are zero, which the comment of the file says.
    """
    try:
        import sofar
    except ImportError as error:
        raise RoomtuneError(
            "SOFA files need one more package: install it with `pip install roomtune[sofa]`"
        ) from error
    sofa = sofar.Sofa("SingleRoomMIMOSRIR")
    for name in ("EmitterDescriptions", "ReceiverDescriptions"):
        sofa.delete(name)  # empty by default, and then not of the right shape
    _describe(sofa, system, date, measured)
    _place(sofa, measured, system)
    samples = measured.responses.samples
    sofa.Data_IR = samples.transpose(1, 2, 0)[:, None]
    sofa.Data_SamplingRate = measured.responses.sample_rate_hz
    sofa.Data_SamplingRate_Units = "hertz"
    delay = measured.responses.start_s * measured.responses.sample_rate_hz
    sofa.Data_Delay = np.full((samples.shape[1], 1, samples.shape[0]), delay)
    return _write(Path(path), sofa)


def _describe(sofa: Any, system: System, date: str, measured: Measured) -> None:
    sofa.GLOBAL_Title = system.name
    sofa.GLOBAL_DateCreated = date
    sofa.GLOBAL_DateModified = date
    sofa.GLOBAL_ApplicationName = "roomtune"
    sofa.GLOBAL_RoomType = "shoebox"
    sofa.GLOBAL_DatabaseName = system.name
    sofa.GLOBAL_AuthorContact = "unknown"
    sofa.GLOBAL_Organization = "unknown"
    sofa.GLOBAL_License = "No license provided, ask the author for permission"
    unit = "Pa" if measured.responses.unit == "Pa" else "recorder full scale"
    sofa.GLOBAL_Comment = (
        f"Emitters: {', '.join(measured.outputs)}. Measurements: {', '.join(measured.seats)}. "
        f"Unit of Data.IR: {unit} per played full scale. Positions of zero are unknown. "
        "A Data.Delay below zero means that the samples begin before the reference."
    )
    if system.room_size_m is not None:
        sofa.RoomCornerA = np.zeros((1, 3))
        sofa.RoomCornerB = np.array([system.room_size_m])


def _place(sofa: Any, measured: Measured, system: System) -> None:
    origin = (0.0, 0.0, 0.0)
    seats = [system.seat(name).position_m or origin for name in measured.seats]
    outputs = [
        system.loudspeaker(system.output(name).loudspeaker).position_m or origin
        for name in measured.outputs
    ]
    sofa.ListenerPosition = np.array(seats)
    sofa.ListenerPosition_Type, sofa.ListenerPosition_Units = "cartesian", "metre"
    sofa.ReceiverPosition = np.zeros((1, 3))
    sofa.ReceiverPosition_Type, sofa.ReceiverPosition_Units = "cartesian", "metre"
    sofa.SourcePosition = np.zeros((len(seats), 3))
    sofa.MeasurementDate = np.zeros(len(seats))
    sofa.SourcePosition_Type, sofa.SourcePosition_Units = "cartesian", "metre"
    sofa.EmitterPosition = np.array(outputs)
    sofa.EmitterView = np.tile(np.array([1.0, 0.0, 0.0]), (len(outputs), 1))[..., None]
    sofa.EmitterUp = np.tile(np.array([0.0, 0.0, 1.0]), (len(outputs), 1))[..., None]
    sofa.EmitterPosition_Type, sofa.EmitterPosition_Units = "cartesian", "metre"


def _write(path: Path, sofa: Any) -> Path:
    """Write beside the file and rename, so that it is whole or not there."""
    import sofar

    unfinished = path.with_name(f"{path.stem}.{os.getpid()}{UNFINISHED}.sofa")
    with told_plainly(path):
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                sofar.write_sofa(unfinished, sofa)
            unfinished.replace(path)
        finally:
            unfinished.unlink(missing_ok=True)
    return path
