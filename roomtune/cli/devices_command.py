"""roomtune devices: what the audio library sees."""

from __future__ import annotations

import click

from roomtune.cli.show import as_json, say, table


@click.command("devices")
@click.option("--json", "json_wanted", is_flag=True, help="Print JSON.")
def command(json_wanted: bool) -> None:
    """List the audio devices and what they can do.

    Put the name of one (or a part that no other has) into system.toml under
    [audio], as output_device and input_device.
    """
    from dataclasses import asdict

    from roomtune.capture.devices import list_devices

    devices = list_devices()
    if json_wanted:
        as_json([asdict(device) for device in devices])
        return
    table(
        "Audio devices",
        ("number", "name", "through", "outputs", "inputs", "usual rate Hz"),
        [
            (
                str(d.number),
                d.name,
                d.host_api,
                str(d.outputs),
                str(d.inputs),
                f"{d.default_sample_rate_hz:g}",
            )
            for d in devices
        ],
    )
    if not devices:
        say("No audio device was found. Plug one in, or measure through files: roomtune measure -h")
