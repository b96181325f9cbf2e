"""roomtune level: a live level meter, noise to set levels by, and the microphone's sensitivity."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from roomtune.cli.show import as_json, echo, say
from roomtune.errors import RoomtuneError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from roomtune.cli.stage import Stage
    from roomtune.signal.recording import Recording
    from roomtune.system.model import System

METER_BAND_HZ = (500.0, 2000.0)
BELOW_LIMIT_DB = 12.0
CALIBRATOR_S = 6.0
METER_S = 15.0
SHOWN_S = 60.0


@dataclass(frozen=True)
class Noise:
    """Pink noise for one output: on which interface output, band and peak level."""

    output: str
    interface_output: int
    band_hz: tuple[float, float]
    level_dbfs: float


@click.command("level")
@click.option("--noise", "output", help="Play pink noise on this output meanwhile.")
@click.option(
    "--band",
    "band_hz",
    type=click.FloatRange(1, 96000),
    nargs=2,
    help="Band of the noise, Hz; the output's whole safe band otherwise.",
)
@click.option("--level", "level_dbfs", type=float, help="Peak of the noise, dB re full scale.")
@click.option("--for", "duration_s", type=click.FloatRange(1, 600), help="How long, s.")
@click.option(
    "--calibrator",
    type=click.FloatRange(70, 130),
    help="Calibrate by the 1 kHz tone of a calibrator of this level, such as 94.",
)
@click.option("--meter", is_flag=True, help="Calibrate by a sound level meter beside it.")
@click.option("--reading", "reading_db", type=float, help="What the meter shows, dB; not asked.")
@click.option("--yes", is_flag=True, help="Play without asking; for scripts.")
@click.option("--virtual", help="Listen in this virtual room (folder or scenario name).")
@click.option("--json", "json_wanted", is_flag=True, help="Print JSON.")
def command(
    output: str | None,
    band_hz: tuple[float, float] | None,
    level_dbfs: float | None,
    duration_s: float | None,
    calibrator: float | None,
    meter: bool,
    reading_db: float | None,
    yes: bool,
    virtual: str | None,
    json_wanted: bool,
) -> None:
    """Show the level at the microphone, and calibrate it.

    Without options a live meter: level, peak, highest peak, clipping; Ctrl-C
    ends it. With --noise an output plays pink noise meanwhile, to set gains by.
    With --calibrator, or with --noise and --meter, the microphone's sensitivity
    is measured and written into system.toml, so that levels are sound pressure.
    """
    from roomtune.cli.project import load_system
    from roomtune.cli.stage import open_stage

    system = load_system()
    check_together(calibrator, meter or reading_db is not None, output)
    stage = open_stage(system, virtual, unattended=yes)
    by_meter = meter or reading_db is not None
    band_hz = band_hz or (METER_BAND_HZ if by_meter else None)
    noise = planned_noise(system, output, band_hz, level_dbfs) if output else None
    if calibrator is not None:
        sensitivity = from_calibrator(stage, system, calibrator, duration_s or CALIBRATOR_S)
    elif by_meter:
        assert noise is not None
        sensitivity = from_meter(stage, system, noise, duration_s or METER_S, reading_db, yes)
    else:
        show_levels(stage, system, noise, duration_s or SHOWN_S, yes, json_wanted)
        return
    keep(sensitivity)
    if json_wanted:
        as_json({"sensitivity_dbfs_at_94_db": round(sensitivity, 2)})
    say("Mark the knob: the number holds for this gain only. Next: roomtune soundcheck")


def check_together(calibrator: float | None, meter: bool, output: str | None) -> None:
    """Refuse options that make no sense together.

    `calibrator`: its level in dB SPL. Raises RoomtuneError that says which to leave
    out or to add.
    """
    if calibrator is not None and (meter or output):
        raise RoomtuneError(
            "With --calibrator nothing is played: leave --noise, --meter and --reading out."
        )
    if meter and output is None:
        raise RoomtuneError("A meter reading needs noise: name an output with --noise.")


def planned_noise(
    system: System, name: str, band_hz: tuple[float, float] | None, level_dbfs: float | None
) -> Noise:
    """The noise for an output, inside its safe band and under its limit.

    Raises RoomtuneError for an unknown output, a band without an octave in common
    with the safe one, or a level above the output's limit.
    """
    known = [output.name for output in system.outputs]
    if name not in known:
        raise RoomtuneError(f"There is no output {name!r}; outputs are {', '.join(known)}.")
    output = system.output(name)
    if output.playback.by_hand:
        raise RoomtuneError(f"{name} is switched by hand; choose an output that is not.")
    limit_dbfs = output.maximum_level_dbfs
    safe = output.safe_band_hz
    wanted = band_hz or safe
    low, high = max(safe[0], wanted[0]), min(safe[1], wanted[1], 0.45 * system.audio.sample_rate_hz)
    if high < 2 * low:
        raise RoomtuneError(
            f"{name} may play {safe[0]:g} to {safe[1]:g} Hz; less than an octave of that lies in "
            f"{wanted[0]:g} to {wanted[1]:g} Hz. Choose another output or --band."
        )
    chosen = limit_dbfs - BELOW_LIMIT_DB if level_dbfs is None else level_dbfs
    if chosen > limit_dbfs:
        raise RoomtuneError(
            f"{chosen:g} dB is above the limit of {name}, {limit_dbfs:g} dB re full scale."
        )
    return Noise(name, output.playback.interface_output, (low, high), chosen)


def agreed(noise: Noise, duration_s: float, yes: bool) -> None:
    """State what will sound and how loud; go on only with consent. Aborts without."""
    from roomtune.cli.stage import CAUTIONS

    low, high = noise.band_hz
    say(
        f"Pink noise from {low:g} to {high:g} Hz on {noise.output} (interface output "
        f"{noise.interface_output}) for {duration_s:g} s, at most {noise.level_dbfs:.1f} dB re "
        f"full scale."
    )
    if yes:
        return
    for caution in CAUTIONS:
        say(caution)
    click.confirm("Play now?", abort=True, err=True)


def signals_for(
    noise: Noise | None, duration_s: float, rate_hz: float, quiet_s: float = 0.0
) -> NDArray[np.float64]:
    """The noise on its interface output after a little quiet, (n, outputs); silence without."""
    import numpy as np

    from roomtune.capture.listening import pink_noise
    from roomtune.signal.decibels import amplitude

    if noise is None:
        return np.zeros((round(duration_s * rate_hz), 1))
    sound = pink_noise(noise.band_hz, duration_s, rate_hz) * amplitude(noise.level_dbfs)
    before = np.zeros(round(quiet_s * rate_hz))
    signals = np.zeros((before.size + sound.size, noise.interface_output))
    signals[before.size :, -1] = sound
    return signals


def show_levels(
    stage: Stage,
    system: System,
    noise: Noise | None,
    duration_s: float,
    yes: bool,
    json_wanted: bool,
) -> None:
    """The live meter, until the time is over or Ctrl-C."""
    from roomtune.capture.meter import watch
    from roomtune.cli.meter import shown_levels

    if noise is not None:
        agreed(noise, duration_s, yes)
    signals = signals_for(noise, duration_s, stage.interface.sample_rate_hz)
    offset_db = pressure_offset_db(system)
    with shown_levels(offset_db) as meter:
        try:
            recording = watch(
                stage.interface, signals, system.microphone.interface_input, meter.show
            )
            meter.mean_db = mean_level_db(recording, noise is not None)
        except KeyboardInterrupt:
            say("Stopped.")
    if json_wanted:
        as_json(meter.summary())
    else:
        echo(meter.sentence())


def mean_level_db(recording: Recording, noise: bool) -> float:
    """Mean level at the microphone, dB re full scale; of where noise plays, if any does."""
    import numpy as np

    from roomtune.capture.listening import sounding_part

    samples = recording.samples[:, 0]
    if noise:
        samples = sounding_part(samples, recording.sample_rate_hz)
    return 10 * float(np.log10(max(float(np.mean(samples**2)), 1e-20)))


def pressure_offset_db(system: System) -> float | None:
    """What to add to a level re full scale for the sound pressure level, where known."""
    sensitivity = system.microphone.sensitivity_dbfs_at_94_db
    return None if sensitivity is None else 94.0 - sensitivity


def from_calibrator(stage: Stage, system: System, level_db: float, duration_s: float) -> float:
    """The sensitivity from a calibrator's tone."""
    from roomtune.capture.listening import listen, sensitivity_from_calibrator
    from roomtune.cli.calibration import calibrator_on

    interface = calibrator_on(stage, level_db)
    say(f"Listening for {duration_s:g} s to 1 kHz at {level_db:g} dB; nothing is played.")
    samples = listen(interface, system.microphone.interface_input, duration_s)
    return sensitivity_from_calibrator(_inner(samples), interface.sample_rate_hz, level_db)


def _inner(samples: NDArray[np.float64]) -> NDArray[np.float64]:
    """Without the first and the last tenth, where a stream starts and ends."""
    return samples[samples.size // 10 : -(samples.size // 10)]


def from_meter(
    stage: Stage,
    system: System,
    noise: Noise,
    duration_s: float,
    reading_db: float | None,
    yes: bool,
) -> float:
    """The sensitivity from what a meter beside the microphone shows while noise plays.

    Raises RoomtuneError when the microphone's input clipped.
    """
    from roomtune.capture.listening import sensitivity_from_meter, sounding_part
    from roomtune.capture.meter import watch
    from roomtune.cli.calibration import reading_of
    from roomtune.cli.meter import shown_levels

    agreed(noise, duration_s, yes)
    say("Hold the meter beside the microphone, set it to slow, and read it while the noise plays.")
    rate = stage.interface.sample_rate_hz
    with shown_levels(None) as meter:
        recording = watch(
            stage.interface,
            signals_for(noise, duration_s, rate, quiet_s=1.0),
            system.microphone.interface_input,
            meter.show,
        )
    if meter.level.clipped:
        raise RoomtuneError("The microphone's input clipped: turn its gain down and try again.")
    heard = sounding_part(recording.samples[:, 0], rate)
    reading = reading_of(stage, heard) if reading_db is None else reading_db
    return sensitivity_from_meter(heard, rate, reading, noise.band_hz)


def keep(sensitivity: float) -> None:
    """Write the sensitivity into system.toml and say so."""
    from roomtune.cli.project import SYSTEM
    from roomtune.session.storage import write_atomically
    from roomtune.system.sensitivity import with_sensitivity

    text = with_sensitivity(SYSTEM.read_text(encoding="utf-8"), sensitivity)
    write_atomically(SYSTEM, text.encode("utf-8"))
    say(f"94 dB gives {sensitivity:.2f} dB re full scale; written into {SYSTEM}.")
