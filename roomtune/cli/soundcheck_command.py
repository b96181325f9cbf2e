"""roomtune soundcheck: listen to the room and to every output, quietly, before measuring."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from roomtune.cli.show import as_json, echo, progress, say, table

if TYPE_CHECKING:
    from roomtune.capture.listening import NoiseReport
    from roomtune.capture.requests import TakeRequest
    from roomtune.capture.soundcheck import OutputCheck
    from roomtune.cli.stage import Stage
    from roomtune.system.model import System

LISTEN_S = 4.0


@click.command("soundcheck")
@click.option("--seat", help="Where the microphone stands; the main seat otherwise.")
@click.option("--noise-only", is_flag=True, help="Only listen; nothing is played.")
@click.option("--yes", is_flag=True, help="Play without asking; for scripts.")
@click.option("--virtual", help="Listen in this virtual room (folder or scenario name).")
@click.option("--json", "json_wanted", is_flag=True, help="Print JSON.")
def command(
    seat: str | None, noise_only: bool, yes: bool, virtual: str | None, json_wanted: bool
) -> None:
    """Listen to the room and to every output, quietly, before measuring.

    Measures the noise and names the hum, then plays every output from
    inaudible upwards, never beyond its limit, until it is heard well enough.
    Says which outputs are silent, far too loud or quiet, reversed or swapped.
    Exit status 1 when something must be mended first.
    """
    from roomtune.capture.listening import listen, noise_report
    from roomtune.capture.soundcheck import judge_outputs
    from roomtune.cli.project import load_system
    from roomtune.cli.stage import open_stage

    system = load_system()
    place = seat or system.main_seat.name
    stage = open_stage(system, virtual, unattended=yes)
    stage.go_to(place)
    heard = listen(stage.interface, system.microphone.interface_input, LISTEN_S)
    noise = noise_report(heard, stage.interface.sample_rate_hz)
    checks = () if noise_only else ramped(stage, system, place, yes)
    findings = judge_outputs(checks, system, place)
    if json_wanted:
        as_json(
            {
                "noise": noise_as_json(noise),
                "outputs": [output_as_json(check) for check in checks],
                "findings": [finding.text for finding in findings],
            }
        )
    else:
        show_noise(noise)
        show_outputs(checks, system)
        for finding in findings:
            echo(finding.text)
    if any(finding.grade == "repeat" for finding in findings):
        raise SystemExit(1)
    say("Next: roomtune measure")


def ramped(stage: Stage, system: System, seat: str, yes: bool) -> tuple[OutputCheck, ...]:
    """Play every output from inaudible upwards, after consent."""
    from roomtune.capture.soundcheck import check_outputs
    from roomtune.cli.stage import consent

    loudest_dbfs = max(output.maximum_level_dbfs for output in system.outputs)
    consent(loudest_dbfs, len(system.outputs), 15.0 * len(system.outputs), yes)
    begun: set[str] = set()
    with progress(len(system.outputs), "listening") as advance:

        def announce(request: TakeRequest) -> None:
            level = f"{request.source} at {request.level_dbfs:.0f} dB"
            advance(level, request.source not in begun)
            begun.add(request.source)

        return check_outputs(stage.interface, system, seat, announce, stage.switch_to)


def show_noise(noise: NoiseReport) -> None:
    """Print noise per third-octave, and the hum by name."""
    from roomtune.signal.bands import band_name

    table(
        "Noise at the microphone, dB re digital full scale",
        ("third-octave", "level"),
        [
            (band_name(float(centre)), f"{level:.0f}")
            for centre, level in zip(noise.centres_hz, noise.levels_dbfs, strict=True)
        ],
    )
    echo(f"20 Hz to 20 kHz together: {noise.total_dbfs:.0f} dB")
    for hum in noise.hums:
        echo(f"{hum.name}: {hum.level_dbfs:.0f} dB")


def show_outputs(checks: tuple[OutputCheck, ...], system: System) -> None:
    """Print what every output's ramp showed."""
    if not checks:
        return
    table(
        "Outputs",
        ("output", "driver", "heard", "at level dB", "gain dB", "peak at microphone dB"),
        [
            (
                check.output,
                system.output(check.output).driver,
                check.sound,
                f"{check.level_dbfs:.0f}",
                f"{check.gain_db:.1f}",
                f"{check.steps[-1].peak_dbfs:.0f}",
            )
            for check in checks
        ],
    )


def noise_as_json(noise: NoiseReport) -> dict[str, object]:
    """The noise as plain values."""
    from dataclasses import asdict

    return {
        "centres_hz": [float(value) for value in noise.centres_hz],
        "levels_dbfs": [float(value) for value in noise.levels_dbfs],
        "total_dbfs": noise.total_dbfs,
        "hums": [asdict(hum) for hum in noise.hums],
    }


def output_as_json(check: OutputCheck) -> dict[str, object]:
    """One output's check as plain values; no gain for a silent one."""
    silent = check.sound == "dead"
    return {
        "output": check.output,
        "heard": check.sound,
        "level_dbfs": check.level_dbfs,
        "gain_db": None if silent else check.gain_db,
        "arrival_ms": None if silent else 1000 * check.arrival_s,
    }
