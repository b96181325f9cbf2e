"""roomtune devices: what the audio library sees, and what works."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from roomtune.cli.show import as_json, say

if TYPE_CHECKING:
    from roomtune.capture.devices import Device


@click.command("devices")
@click.option("--json", "json_wanted", is_flag=True, help="Print JSON.")
def command(json_wanted: bool) -> None:
    """List the audio devices and what they can do.

    Every device is asked which sample rates it takes, and whether it is shared
    with other programs, can be had alone (exclusive), or both. Put the name of one
    (or a part that no other has) into system.toml under [audio], as output_device
    and input_device; they may be two devices.
    """
    from roomtune.capture.devices import list_devices

    devices = list_devices()
    facts = [facts_of(device) for device in devices]
    if json_wanted:
        as_json(facts)
        return
    for device, found in zip(devices, facts, strict=True):
        click.echo(f"{device.number}: {device.label}")
        click.echo(f"   {described(device, found)}")
    if not devices:
        say("No audio device was found. Plug one in, or measure through files: roomtune measure -h")
        return
    say("One device for both directions has one clock. Two have two: roomtune measures and")
    say("removes their drift. Next: put a name into system.toml, then roomtune level")


def facts_of(device: Device) -> dict[str, object]:
    """What the device says of itself and what it answers when it is asked."""
    from dataclasses import asdict

    from roomtune.capture.devices import modes, refusal, working_rates_hz
    from roomtune.capture.soundserver import Kind

    kinds: list[Kind] = [kind for kind in ("output", "input") if device.channels(kind)]
    rates = {kind: list(working_rates_hz(device, kind)) for kind in kinds}
    refused = {
        kind: refusal(device, kind, device.default_sample_rate_hz)
        for kind in kinds
        if not rates[kind]
    }
    return {
        **asdict(device),
        "rates_hz": rates,
        "modes": list(modes(device)),
        "refused": {kind: reason for kind, reason in refused.items() if reason},
    }


def described(device: Device, facts: dict[str, object]) -> str:
    """The device's abilities as one line."""
    rates, refused, modes = facts["rates_hz"], facts["refused"], facts["modes"]
    assert isinstance(rates, dict)
    assert isinstance(refused, dict)
    assert isinstance(modes, list)
    parts = []
    for kind, taken in rates.items():
        count = device.outputs if kind == "output" else device.inputs
        number = f"{count} {kind}{'' if count == 1 else 's'}"
        if taken:
            parts.append(f"{number} at {in_khz(taken)} kHz")
        else:
            parts.append(f"{number}, DO NOT OPEN ({refused.get(kind, 'at no usual rate')})")
    parts.append(" or ".join(modes))
    if device.default_for:
        parts.append(f"usual {' and '.join(device.default_for)}")
    return "; ".join(parts)


def in_khz(rates_hz: list[int]) -> str:
    """Sample rates as short text."""
    return " ".join(f"{rate / 1000:g}" for rate in rates_hz)
