"""How does a sound come out of a loudspeaker of the user's choice?

`Player` plays one sound at a time and never waits. `matched_gains_db` brings sounds to the same
loudness by turning the louder ones down, so that nothing is cut off. `signal_sound` makes what
tells a person at the piano how a blow was judged: short bursts of noise, bright or dull, which the
microphone hears as well but which no measure can take for a struck string, as it can a tone.

Functions and classes: `Player`, `matched_gains_db`, `signal_sound`, `Signal`.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from enum import StrEnum
from typing import Any, Protocol

import numpy as np
import scipy.fft

from toneapp._typing import Float32Array
from toneapp.audio.devices import no_device_text, sound_system
from toneapp.errors import AudioDeviceError

__all__ = ["OutputStream", "Player", "Signal", "matched_gains_db", "signal_sound"]

logger = logging.getLogger(__name__)

QUIETEST_LKFS = -70.0
"""What is quieter is silence (the absolute gate of ITU-R BS.1770-4) and is not matched."""

SIGNAL_PEAK = 0.2
BURST_S = 0.2
PAUSE_S = 0.3
"""So long that the evidence for a note, gathered over 0.4 s, never sees two bursts."""


class Signal(StrEnum):
    """What a signal says."""

    GOOD = "good"  # one bright burst
    AGAIN = "again"  # two dull ones
    TROUBLE = "trouble"  # three of them


_BURSTS = {
    Signal.GOOD: (1, 1000.0, 6000.0),
    Signal.AGAIN: (2, 200.0, 1200.0),
    Signal.TROUBLE: (3, 300.0, 2000.0),
}
"""How many bursts, and the band of their noise in Hz."""

_GRID_S = 0.5
_PHASES = 20_000


def signal_sound(signal: Signal, *, sample_rate_hz: int) -> Float32Array:
    """Samples of a signal: bursts of noise, the same each time.

    Parameters
    ----------
    signal : Signal
        What is said.
    sample_rate_hz : int
        Sampling rate in Hz, from 8 kHz.

    Returns
    -------
    ndarray of float32, shape (n,)
        Mono, peak 0.2, from 0.2 s to 1.2 s long.
    """
    bursts, low_hz, high_hz = _BURSTS[signal]
    grid = int(_GRID_S * sample_rate_hz)
    hz = np.arange(grid // 2 + 1) * (sample_rate_hz / grid)
    phases = np.random.default_rng(1).uniform(0.0, 2.0 * np.pi, _PHASES)
    inside = (hz >= low_hz) & (hz <= high_hz)
    spectrum = np.zeros(hz.size, dtype=np.complex128)
    # Falling towards the high end, which is kinder to the ear.
    spectrum[inside] = np.exp(1j * phases[: hz.size][inside]) / np.sqrt(hz[inside])
    count = int(BURST_S * sample_rate_hz)
    burst = scipy.fft.irfft(spectrum, grid)[:count]
    burst *= np.sin(np.pi * np.arange(count) / count)
    burst *= SIGNAL_PEAK / np.max(np.abs(burst))
    pause = np.zeros(int(PAUSE_S * sample_rate_hz))
    pieces = [burst, pause] * bursts
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
        with sound_system:
            try:
                output.play(sound.astype(np.float32), sample_rate_hz, device=self.device)
            except faults as exc:
                raise _sentence(exc) from exc

    def stop(self) -> None:
        """End what is playing; nothing happens when nothing is."""
        if self._output is None:
            return
        with sound_system:
            self._stop(self._output)

    @staticmethod
    def _stop(output: OutputStream) -> None:
        try:
            output.stop()
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
