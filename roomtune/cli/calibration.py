"""The calibrator over the microphone and the meter beside it: real ones, or virtual."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from roomtune.cli.stage import Stage, VirtualStage

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from roomtune.capture.interface import AudioInterface


def calibrator_on(stage: Stage, level_db: float) -> AudioInterface:
    """The interface to listen on once a calibrator sits on the microphone."""
    if not isinstance(stage, VirtualStage):
        return stage.interface
    from roomtune.virtual.calibration import VirtualCalibrator

    return VirtualCalibrator(stage.room, level_db)


def reading_of(stage: Stage, heard: NDArray[np.float64]) -> float:
    """What the meter showed: asked for, or told by the virtual one."""
    if not isinstance(stage, VirtualStage):
        return float(click.prompt("What did the meter show, dB", type=float, err=True))
    from roomtune.virtual.calibration import meter_reading_db

    return meter_reading_db(stage.room, heard)
