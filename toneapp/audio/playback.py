"""How does a sound come out of a loudspeaker of the user's choice?

`Player` plays one sound at a time and never waits. `matched_gains_db` brings sounds to the same
loudness by turning the louder ones down, so that nothing is cut off. `signal_tone` makes the short
tones that tell a person at the piano how a blow was judged: they glide, which no struck string
does, so that the measures cannot take one for a note.

Functions and classes: `Player`, `matched_gains_db`, `signal_tone`, `Signal`.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from enum import StrEnum
from typing import Any, Protocol

import numpy as np

from toneapp._typing import Float32Array
from toneapp.audio.devices import no_device_text
from toneapp.errors import AudioDeviceError

__all__ = ["OutputStream", "Player", "Signal", "matched_gains_db", "signal_tone"]

logger = logging.getLogger(__name__)

QUIETEST_LKFS = -70.0
"""What is quieter is silence (the absolute gate of ITU-R BS.1770-4) and is not matched."""

SIGNAL_PEAK = 0.2
SIGNAL_FADE_S = 0.01


class Signal(StrEnum):
    """What a signal tone says."""

    GOOD = "good"  # one glide upward
    AGAIN = "again"  # two glides downward
    TROUBLE = "trouble"  # three of them


_GLIDES: dict[Signal, tuple[tuple[float, float], ...]] = {
    Signal.GOOD: ((700.0, 1400.0),),
    Signal.AGAIN: ((900.0, 450.0),) * 2,
    Signal.TROUBLE: ((900.0, 450.0),) * 3,
}
GLIDE_S = 0.12
PAUSE_S = 0.06


def signal_tone(signal: Signal, *, sample_rate_hz: int) -> Float32Array:
    """Samples of a signal, mono, peak 0.2.

    Parameters
    ----------
    signal : Signal
        What is said.
    sample_rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    ndarray of float32, shape (n,)
        From 0.12 s to 0.5 s long.
    """
    count = int(GLIDE_S * sample_rate_hz)
    t = np.arange(count) / sample_rate_hz
    fade = np.clip(np.minimum(t, GLIDE_S - t) / SIGNAL_FADE_S, 0.0, 1.0)
    pause = np.zeros(int(PAUSE_S * sample_rate_hz))
    pieces = []
    for start_hz, stop_hz in _GLIDES[signal]:
        # Phase of a frequency that moves by equal ratios in equal times.
        rate = np.log(stop_hz / start_hz) / GLIDE_S
        phase = 2.0 * np.pi * start_hz * (np.exp(rate * t) - 1.0) / rate
        pieces += [SIGNAL_PEAK * fade * np.sin(phase), pause]
    return np.concatenate(pieces[:-1]).astype(np.float32)


def matched_gains_db(loudness_lkfs: Sequence[float | None]) -> tuple[float, ...]:
    """Gains that bring sounds to the loudness of the softest of them.

    Parameters
    ----------
    loudness_lkfs : sequence of float or None
        Loudness of each by ITU-R BS.1770, such as `StrikeResult.loudness_lkfs`.

    Returns
    -------
    tuple of float
        In dB, none above 0. A sound whose loudness is not known, or that is silence, keeps its
        level.

    References
    ----------
    .. [1] Recommendation ITU-R BS.1770-4 (2015).

    Examples
    --------
    >>> matched_gains_db([-20.0, -26.0, None])
    (-6.0, 0.0, 0.0)
    """
    heard = [value for value in loudness_lkfs if value is not None and value > QUIETEST_LKFS]
    softest = min(heard, default=0.0)
    return tuple(
        softest - value if value is not None and value > QUIETEST_LKFS else 0.0
        for value in loudness_lkfs
    )


class OutputStream(Protocol):
    """What plays: sounddevice in the program, another in tests."""

    def play(self, samples: Float32Array, samplerate: float, *, device: Any) -> Any:
        """Begin to play, and return at once."""

    def stop(self) -> Any:
        """End what is playing."""


class Player:
    """Plays one sound at a time.

    Parameters
    ----------
    device : int, str or None
        Number or name of the output, as `toneapp.audio.devices.list_outputs` gives it; ``None``
        for the system's own choice.
    output : OutputStream, optional
        The sound system by default, found when it is first used.
    """

    def __init__(
        self, device: int | str | None = None, *, output: OutputStream | None = None
    ) -> None:
        self.device = device
        self._output = output

    def play(self, samples: Float32Array, *, sample_rate_hz: float, gain_db: float = 0.0) -> None:
        """Play a sound in place of what is playing, and return at once.

        Parameters
        ----------
        samples : ndarray, shape (n,) or (n, channels)
            Full scale = 1; what goes beyond after the gain is clipped.
        sample_rate_hz : float
            Its sampling rate.
        gain_db : float
            Change of its level.

        Raises
        ------
        AudioDeviceError
            If there is no output or it cannot be used.
        """
        sound = np.clip(samples * np.float32(10.0 ** (gain_db / 20.0)), -1.0, 1.0)
        output = self._found()
        faults: tuple[type[Exception], ...] = (*_device_errors(), ValueError)
        try:
            output.play(sound.astype(np.float32), sample_rate_hz, device=self.device)
        except faults as exc:
            raise _sentence(exc) from exc

    def stop(self) -> None:
        """End what is playing; nothing happens when nothing is."""
        if self._output is None:
            return
        try:
            self._output.stop()
        except _device_errors() as exc:
            logger.debug("what is playing cannot be stopped: %s", exc)

    def _found(self) -> OutputStream:
        if self._output is None:
            try:
                import sounddevice
            except OSError as exc:  # PortAudio itself is missing
                raise AudioDeviceError(
                    "sound cannot be played: PortAudio is not installed; install it and try again"
                ) from exc
            self._output = sounddevice
        return self._output


def _device_errors() -> tuple[type[Exception], ...]:
    try:
        import sounddevice
    except OSError:
        return ()
    return (sounddevice.PortAudioError,)


def _sentence(exc: Exception) -> AudioDeviceError:
    text = str(exc).lower()
    if "querying device" in text or "no output device" in text or "invalid device" in text:
        return AudioDeviceError(no_device_text("output"))
    if "unavailable" in text:
        return AudioDeviceError("another program uses the output; close it there and try again")
    return AudioDeviceError(f"the sound cannot be played ({exc}); choose another output")
