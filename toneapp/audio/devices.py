"""Which microphones and loudspeakers are there?

The edge towards PortAudio. Without a sound system there are none, which is no error here: the
lists are empty and `no_device_text` says what to do.

Functions and classes: `list_inputs`, `list_outputs`, `refresh_devices`, `SoundDevice`,
`no_device_text`.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import Any

__all__ = ["SoundDevice", "list_inputs", "list_outputs", "no_device_text", "refresh_devices"]

logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundDevice:
    """One input or output."""

    number: int  # valid until devices are plugged in or out
    name: str
    system: str  # part of the sound system it belongs to
    channels: int
    usual_rate_hz: int
    is_default: bool


def list_inputs() -> tuple[SoundDevice, ...]:
    """List the microphones and line inputs; empty when there are none."""
    return _list_devices("input")


def list_outputs() -> tuple[SoundDevice, ...]:
    """List the loudspeakers and headphones; empty when there are none."""
    return _list_devices("output")


def no_device_text(kind: str) -> str:
    """Say in one line that there is no input or no output, and what to do."""
    if kind == "input":
        return "no input was found: plug a microphone in, then look again"
    return "no output was found: plug loudspeakers or headphones in, then look again"


def refresh_devices() -> None:
    """Let the sound system look for devices anew; call it only when nothing is open.

    Notes
    -----
    PortAudio lists the devices once, when it is initialised. The two functions that initialise it
    again are not public in sounddevice, but there is no other way to see what was plugged in.
    """
    sounddevice = _sounddevice()
    if sounddevice is None:
        return
    try:
        sounddevice._terminate()
        sounddevice._initialize()
    except sounddevice.PortAudioError as exc:
        logger.debug("devices cannot be looked for anew: %s", exc)


def _sounddevice() -> Any:
    """The library, or ``None`` where PortAudio is missing."""
    try:
        import sounddevice
    except OSError as exc:
        logger.info("PortAudio cannot be loaded: %s", exc)
        return None
    return sounddevice


def _list_devices(kind: str) -> tuple[SoundDevice, ...]:
    sounddevice = _sounddevice()
    if sounddevice is None:
        return ()
    try:
        devices = list(sounddevice.query_devices())
        systems = list(sounddevice.query_hostapis())
        default = sounddevice.default.device["input" if kind == "input" else "output"]
    except (sounddevice.PortAudioError, ValueError) as exc:
        logger.info("the sound system does not answer: %s", exc)
        return ()
    found = []
    for number, device in enumerate(devices):
        channels = int(device[f"max_{kind}_channels"])
        if channels > 0:
            found.append(
                SoundDevice(
                    number=number,
                    name=str(device["name"]),
                    system=str(systems[device["hostapi"]]["name"]),
                    channels=channels,
                    usual_rate_hz=round(device["default_samplerate"]),
                    is_default=number == default,
                )
            )
    return tuple(found)
