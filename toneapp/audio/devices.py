"""Which microphones and loudspeakers are there?

The edge towards PortAudio. Without a sound system there are none, which is no error here: the
lists are empty and `no_device_text` says what to do.

PortAudio must not be used from two threads at once, and looking for devices anew pulls the ground
from under every open stream: whoever opens or closes one does it within `sound_system`, and says
with `stream_opened` and `stream_closed` that it is there.

Functions and classes: `list_inputs`, `list_outputs`, `refresh_devices`, `SoundDevice`,
`no_device_text`, `sound_system`, `stream_opened`, `stream_closed`.
"""

from __future__ import annotations

import logging
import threading
from dataclasses import dataclass
from typing import Any

__all__ = [
    "SoundDevice",
    "list_inputs",
    "list_outputs",
    "no_device_text",
    "refresh_devices",
    "sound_system",
    "stream_closed",
    "stream_opened",
]

logger = logging.getLogger(__name__)

sound_system = threading.RLock()
"""Held by whoever calls PortAudio."""

_open_streams = 0


def stream_opened() -> None:
    """Say that a stream is open; devices are not looked for anew meanwhile."""
    global _open_streams
    with sound_system:
        _open_streams += 1


def stream_closed() -> None:
    """Say that a stream is closed that was opened."""
    global _open_streams
    with sound_system:
        _open_streams -= 1


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundDevice:
    """One input or output."""

    number: int  # valid until devices are plugged in or out
    name: str
    system: str  # part of the sound system it belongs to
    channels: int
    usual_rate_hz: int
    is_default: bool

    @property
    def full_name(self) -> str:
        """Name by which it is found again, also after others were plugged in or out."""
        return f"{self.name}, {self.system}"


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


def refresh_devices() -> bool:
    """Let the sound system look for devices anew, unless something is recorded or played.

    Returns
    -------
    bool
        Whether it did.

    Notes
    -----
    PortAudio lists the devices once, when it is initialised. The two functions that initialise it
    again are not public in sounddevice, but there is no other way to see what was plugged in.
    """
    sounddevice = _sounddevice()
    if sounddevice is None:
        return False
    with sound_system:
        if _open_streams or _is_playing(sounddevice):
            return False
        try:
            sounddevice._terminate()
            sounddevice._initialize()
        except sounddevice.PortAudioError as exc:
            logger.debug("devices cannot be looked for anew: %s", exc)
            return False
    return True


def _is_playing(sounddevice: Any) -> bool:
    """Tell whether `sounddevice.play` is at work; a stream that is done is closed here."""
    try:
        stream = sounddevice.get_stream()
    except RuntimeError:  # it never was
        return False
    try:
        if stream.active:
            return True
        sounddevice.stop()
    except sounddevice.PortAudioError as exc:
        logger.debug("the output cannot be asked: %s", exc)
    return False


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
    with sound_system:
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
