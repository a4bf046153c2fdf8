"""Where does the sound of a run come from: a microphone, or a file?

Both push blocks into a `SampleRing` and know nothing of what is done with it. A file can be played
as fast as the rest follows or in real time.

Functions and classes: `SoundSource`, `DeviceSource`, `FileSource`, `InputRefused`,
`refusal_of`.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import soundfile

from toneapp._typing import Float32Array
from toneapp.audio.capture.events import Fault
from toneapp.audio.capture.ring import SampleRing
from toneapp.audio.devices import (
    refresh_devices,
    sound_system,
    stream_closed,
    stream_opened,
)
from toneapp.audio.files import open_sound
from toneapp.audio.inspection import open_with_libsndfile, rate_problems
from toneapp.errors import AudioDeviceError

__all__ = ["DeviceSource", "FileSource", "InputRefused", "SoundSource", "refusal_of"]

logger = logging.getLogger(__name__)

BLOCK_S = 0.0107
"""Length of a block: 512 frames at 48 kHz. A named length, for without one some systems give
ragged blocks of a few frames."""

LATENCY_S = 0.25
"""Sound that the system keeps for the program when that is late: what the callback may wait for
the interpreter is far less."""


class InputRefused(AudioDeviceError):
    """An input cannot be opened; `fault` says why in one word."""

    def __init__(self, message: str, fault: Fault) -> None:
        super().__init__(message)
        self.fault = fault


class SoundSource(Protocol):
    """What the engine needs of a source."""

    @property
    def name(self) -> str:
        """As a person knows it."""

    @property
    def sample_rate_hz(self) -> int:
        """Sampling rate."""

    @property
    def channels(self) -> int:
        """Channels of each frame."""

    @property
    def channel(self) -> int:
        """Channel that is listened to, from 0; all are recorded."""

    @property
    def is_live(self) -> bool:
        """Whether the sound comes at its own pace, so that waiting for it tells something."""

    @property
    def has_ended(self) -> bool:
        """Whether all is in the ring and no more will come."""

    @property
    def is_alive(self) -> bool:
        """Whether it still delivers, as far as the system knows."""

    def start(self, ring: SampleRing) -> None:
        """Begin to push blocks into the ring.

        Raises
        ------
        AudioDeviceError
            If it cannot; an `InputRefused` says why.
        """

    def stop(self) -> None:
        """End it; the source may be started again."""


class DeviceSource:
    """A microphone.

    Parameters
    ----------
    device : int, str or None
        Number or name of the input, as `toneapp.audio.devices.list_inputs` gives it; ``None`` for
        the system's own choice.
    sample_rate_hz : int
        Sampling rate to ask for.
    channels : int
        Channels to record.
    channel : int
        Channel to listen to, from 0.
    """

    is_live = True
    has_ended = False

    def __init__(
        self,
        device: int | str | None = None,
        *,
        sample_rate_hz: int = 48_000,
        channels: int = 1,
        channel: int = 0,
    ) -> None:
        if not 0 <= channel < channels:
            raise ValueError(f"channel {channel} is not one of {channels}")
        self.device = device
        self.sample_rate_hz = sample_rate_hz
        self.channels = channels
        self.channel = channel
        self.name = "the system's input" if device is None else str(device)
        self._stream: Any = None

    @property
    def is_alive(self) -> bool:
        """Whether the stream runs."""
        try:
            return self._stream is not None and bool(self._stream.active)
        except Exception as exc:  # noqa: BLE001 -- PortAudio raises one class for a closed stream and another for a dead one
            logger.debug("the stream cannot be asked: %s", exc)
            return False

    def start(self, ring: SampleRing) -> None:
        """Open the input.

        Raises
        ------
        InputRefused
            With the reason.
        """
        sounddevice = _sounddevice()

        def take(block: Float32Array, _frames: int, _time: object, status: Any) -> None:
            ring.push(block, has_lost=bool(status.input_overflow))

        with sound_system:
            try:
                stream = sounddevice.InputStream(
                    device=self.device,
                    samplerate=self.sample_rate_hz,
                    channels=self.channels,
                    dtype="float32",
                    blocksize=max(64, 1 << round(np.log2(BLOCK_S * self.sample_rate_hz))),
                    latency=LATENCY_S,
                    callback=take,
                )
                self._stream = stream
                stream_opened()
                stream.start()
            except (sounddevice.PortAudioError, ValueError) as exc:
                self.stop()
                raise refusal_of(exc, name=self.name, sample_rate_hz=self.sample_rate_hz) from exc

    def stop(self) -> None:
        """Close the input, and look for devices anew the next time."""
        with sound_system:
            stream, self._stream = self._stream, None
            if stream is not None:
                stream_closed()
                _close(stream)
            refresh_devices()


def _close(stream: Any) -> None:
    try:
        stream.close(ignore_errors=True)
    except Exception as exc:  # noqa: BLE001 -- a device that is gone may refuse anything
        logger.debug("the stream cannot be closed: %s", exc)


def _sounddevice() -> Any:
    """Import the library of the sound system.

    Raises
    ------
    InputRefused
        If the system has none.
    """
    try:
        import sounddevice
    except OSError as exc:  # PortAudio itself is missing
        raise InputRefused(
            "the sound system cannot be used: PortAudio is not installed; install it and start "
            "again",
            Fault.NO_DEVICE,
        ) from exc
    return sounddevice


_PA_INVALID_RATE = -9997
_PA_INVALID_DEVICE = -9996
_PA_UNAVAILABLE = -9985
_PA_INVALID_CHANNELS = -9998
"""Error numbers of PortAudio (portaudio.h, PaErrorCode)."""


def refusal_of(exc: Exception, *, name: str, sample_rate_hz: int) -> InputRefused:
    """Say why an input could not be opened."""
    number = exc.args[1] if len(exc.args) > 1 and isinstance(exc.args[1], int) else None
    text = str(exc).lower()
    if number == _PA_INVALID_RATE or "sample rate" in text:
        return InputRefused(
            f"{name} does not record {sample_rate_hz} samples a second; choose another rate or "
            "set it in the sound settings",
            Fault.RATE_CHANGED,
        )
    if number == _PA_UNAVAILABLE or "unavailable" in text or "busy" in text:
        return InputRefused(
            f"{name} is used by another program; close it there and try again", Fault.DEVICE_TAKEN
        )
    if number == _PA_INVALID_CHANNELS or "number of channels" in text:
        return InputRefused(
            f"{name} has fewer channels than were asked for; ask for one", Fault.NO_DEVICE
        )
    if number == _PA_INVALID_DEVICE or "querying device" in text or "no input device" in text:
        return InputRefused(
            f"{name} is not there; plug a microphone in and look with: toneapp devices",
            Fault.NO_DEVICE,
        )
    return InputRefused(
        f"{name} cannot be opened ({exc}); plug it in again or choose another input",
        Fault.DEVICE_GONE,
    )


class FileSource:
    """A sound file in place of a microphone.

    Parameters
    ----------
    path : Path
        The file.
    real_time : bool
        At the pace of the sound instead of as fast as it is taken.
    block_frames : int
        Frames pushed at a time.
    clock : callable
        Monotonic time in s.

    Raises
    ------
    AudioFileError
        If the file cannot be read.
    """

    def __init__(
        self,
        path: Path,
        *,
        real_time: bool = False,
        block_frames: int = 512,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        with open_sound(path) as sound:  # checks it, and finds the channel with the most sound
            self.sample_rate_hz = sound.sample_rate_hz
            self.channels = sound.channels
            self.channel = 1 if sound.channel_use == "right" else 0
            if sound.channel_use.startswith("channel "):
                self.channel = int(sound.channel_use.removeprefix("channel ")) - 1
        self.path = path
        self.name = path.name
        self.is_live = real_time
        self.has_ended = False
        self._block = block_frames
        self._clock = clock
        self._thread: threading.Thread | None = None
        self._stopping = threading.Event()

    @property
    def is_alive(self) -> bool:
        """Whether the file is being played, or has been to its end."""
        return self.has_ended or (self._thread is not None and self._thread.is_alive())

    def start(self, ring: SampleRing) -> None:
        """Play the file from its beginning."""
        self._stopping.clear()
        self.has_ended = False
        self._thread = threading.Thread(
            target=self._play, args=(ring,), name="sound file", daemon=True
        )
        self._thread.start()

    def stop(self) -> None:
        """Stop playing."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None

    def _play(self, ring: SampleRing) -> None:
        began_s = self._clock()
        pushed = 0
        try:
            with open_with_libsndfile(self.path) as file:
                rate_problems(self.path, file)
                while not self._stopping.is_set():
                    if self.is_live:
                        ahead_s = pushed / self.sample_rate_hz - (self._clock() - began_s)
                        if ahead_s > 0:
                            self._stopping.wait(ahead_s)
                            continue
                    elif ring.behind > ring.capacity // 2:
                        self._stopping.wait(0.002)
                        continue
                    block = file.read(self._block, dtype="float32", always_2d=True)
                    if len(block) == 0:
                        break
                    ring.push(block)
                    pushed += len(block)
        except soundfile.SoundFileError as exc:
            logger.warning("%s cannot be played further: %s", self.path.name, exc)
        self.has_ended = True
