"""roomtune devices: what the audio library sees, and what works."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from roomtune.cli.show import as_json, say, table

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
    table(
        "Audio devices",
        ("number", "name", "through", "outputs", "inputs", "rates kHz", "mode", "works"),
        [row(device, found) for device, found in zip(devices, facts, strict=True)],
    )
    if not devices:
        say("No audio device was found. Plug one in, or measure through files: roomtune measure -h")
        return
    say("One device for both directions has one clock. Two have two: roomtune measures and")
    say('removes their drift. Put "NAME, THROUGH" into system.toml. Next: roomtune level')


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


def row(device: Device, facts: dict[str, object]) -> tuple[str, ...]:
    """The device as a line of the table."""
    rates, refused = facts["rates_hz"], facts["refused"]
    modes = facts["modes"]
    assert isinstance(rates, dict)
    assert isinstance(refused, dict)
    assert isinstance(modes, list)
    shared = sorted(set.intersection(*map(set, rates.values()))) if rates else []
    works = "; ".join(f"no {kind}: {reason}" for kind, reason in refused.items())
    if not works and not shared:
        works = "; ".join(f"{kind} {in_khz(taken)}" for kind, taken in rates.items())
    usual = " and ".join(device.default_for)
    return (
        str(device.number),
        device.name,
        device.host_api,
        str(device.outputs),
        str(device.inputs),
        in_khz(shared) or "none",
        ", ".join(modes),
        works or (f"yes, usual {usual}" if usual else "yes"),
    )


def in_khz(rates_hz: list[int]) -> str:
    """Sample rates as short text."""
    return " ".join(f"{rate / 1000:g}" for rate in rates_hz)
