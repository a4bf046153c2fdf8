"""``toneapp devices``: the microphones and loudspeakers that can be used.

Functions: `add_command`.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from toneapp.cli.library_words import answer, json_parent, rows_json

if TYPE_CHECKING:
    from toneapp.audio.devices import SoundDevice

__all__ = ["add_command"]


def add_command(commands: Any, *, parents: list[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser(
        "devices",
        parents=[*parents, json_parent()],
        help="list microphones and loudspeakers",
        description="List the inputs and outputs of the sound system, with the numbers that "
        "toneapp record --device takes.",
        allow_abbrev=False,
    )
    parser.set_defaults(run=_run_devices)


def _run_devices(arguments: argparse.Namespace) -> None:
    from toneapp.audio.devices import list_inputs, list_outputs, no_device_text

    inputs, outputs = list_inputs(), list_outputs()
    lines = ["Inputs", *(_lines(inputs) or [f"  {no_device_text('input')}"])]
    lines += ["Outputs", *(_lines(outputs) or [f"  {no_device_text('output')}"])]
    answer(
        arguments,
        {"inputs": rows_json(inputs), "outputs": rows_json(outputs)},
        "\n".join(lines),
    )


def _lines(devices: tuple[SoundDevice, ...]) -> list[str]:
    return [
        f"  {'*' if item.is_default else ' '}{item.number:>3}  {item.name}  ({item.system}, "
        f"{item.channels} {'channel' if item.channels == 1 else 'channels'}, "
        f"{item.usual_rate_hz} Hz)"
        for item in devices
    ]
