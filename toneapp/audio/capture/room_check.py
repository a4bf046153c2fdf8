"""Is the room quiet enough, and is the input set right?

Said in plain words, with what to do. Levels in dB re the mean square of a full-scale sine
(dBFS) where they are A-weighted, and re full scale for peaks.

Functions and classes: `check_room`, `level_lines`, `GainWatch`, `QuietMoments`.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
import scipy.fft

from toneapp._typing import Float32Array, FloatArray
from toneapp.audio.capture.events import RoomLine, RoomReport, RoomWord
from toneapp.signal.weighting import a_weighting_db

__all__ = ["GainWatch", "QuietMoments", "check_room", "level_lines"]

LEAST_ROOM_S = 0.4

QUIET_DBFS = -58.0
"""With the loudest blows at -6 dBFS a medium blow has an A-weighted level of about -28 dBFS (real
and simulated pianos agree within 5 dB), so this leaves it 30 dB above the noise."""

MAINS_HZ = (50.0, 60.0)
MAINS_HARMONICS = 6
HUM_ABOVE_DB = 15.0
HUM_REACH_HZ = (4.0, 18.0)
HUM_LEAST_DBFS = -85.0
"""Lines of the mains frequency and its multiples that stand so far above the noise between 4 and
18 Hz from them, and are not too weak to matter."""

NARROW_DB = 45.0
NARROW_PARTS = ((1000.0, 3000.0), (0.6, 0.9))
"""Noise of a microphone hardly falls towards the highest frequencies; a telephone connection
leaves nothing there. Hz, and shares of half the sampling rate."""

SILENT = 1e-6
CLIP_PEAK = 0.999
WANTED_PEAK_DBFS = -6.0
LOUD_PEAK_DBFS = -2.0
WEAK_PEAK_DBFS = -30.0
"""The loudest blow may come within 2 dB of full scale; to aim at 6 dB leaves room for a firmer
one. Below -30 dBFS the noise of a converter of 16 bits comes near (common practice, no source)."""

FELL_DB = 8.0
FELL_BLOCKS = 4
STEADY_DB = 4.0
"""The noise of a room keeps its level from tenth to tenth of a second; when it falls by 8 dB from
one steady level to another, the computer did it."""

GAIN_FALL_DB = 5.0
GAIN_BLOWS = 6
GAIN_SUSPECTS = 3
"""Just after a note the room cannot be quieter than before it; where it is, by 5 dB in the median
over the bands and after three of six blows, the gain was moved."""


def check_room(samples: Float32Array, *, sample_rate_hz: int) -> RoomReport:
    """Look at the sound of the room while nobody plays.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Mono; from about a second on.
    sample_rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    RoomReport
    """
    if samples.size < LEAST_ROOM_S * sample_rate_hz:
        return RoomReport(noise_dbfs=None)
    sound = samples.astype(np.float64) - float(samples.mean())
    if float(np.max(np.abs(sound))) <= SILENT:
        line = RoomLine(
            word=RoomWord.NO_SOUND,
            is_good=False,
            text="the input gives no sound at all: see that it is not muted, and switch noise "
            "suppression off",
        )
        return RoomReport(noise_dbfs=None, lines=(line,))
    lines = []
    if _fell_silent(sound, sample_rate_hz=sample_rate_hz):
        lines.append(
            RoomLine(
                word=RoomWord.GAIN_MOVES,
                is_good=False,
                text="the room became quieter by itself: switch noise suppression off in the "
                "sound settings",
            )
        )
    hz, density = _density(sound, sample_rate_hz=sample_rate_hz)
    noise_dbfs = _a_weighted_dbfs(hz, density)
    hum = _find_hum(hz, density)
    if noise_dbfs <= QUIET_DBFS:
        lines.append(RoomLine(word=RoomWord.QUIET_ENOUGH, is_good=True, text="quiet enough"))
    else:
        lines.append(
            RoomLine(
                word=RoomWord.NOISY,
                is_good=False,
                text="noisy: close windows, switch fans off, or move the microphone nearer",
            )
        )
    if hum is not None:
        lines.append(
            RoomLine(
                word=RoomWord.HUM,
                is_good=False,
                text=f"hum at {hum[0]:.0f} Hz: move the cable away from mains leads, or run the "
                "computer on its battery",
            )
        )
    if _is_narrow(hz, density, sample_rate_hz=sample_rate_hz):
        lines.append(
            RoomLine(
                word=RoomWord.NARROW_BAND,
                is_good=False,
                text="nothing comes through at high frequencies: a telephone connection? choose "
                "another input",
            )
        )
    return RoomReport(
        noise_dbfs=noise_dbfs,
        hum_hz=None if hum is None else hum[0],
        hum_db=None if hum is None else hum[1],
        lines=tuple(lines),
    )


def level_lines(peak: float, *, has_clipped: bool) -> tuple[float | None, tuple[RoomLine, ...]]:
    """Say how the input is to be turned, by the loudest blow so far.

    Parameters
    ----------
    peak : float
        Its largest sample, full scale = 1.
    has_clipped : bool
        Whether it met the limit of the input, wherever that lies.

    Returns
    -------
    turn_db : float or None
        Change of the input level that is advised.
    lines : tuple of RoomLine
        None for silence.
    """
    if peak <= SILENT:
        return None, ()
    peak_dbfs = 20.0 * float(np.log10(peak))
    if has_clipped or peak >= CLIP_PEAK:
        down = 6.0
        text = f"the loudest key clips: turn the input down {down:.0f} dB"
        return -down, (RoomLine(word=RoomWord.CLIPS, is_good=False, text=text),)
    turn = WANTED_PEAK_DBFS - peak_dbfs
    if peak_dbfs > LOUD_PEAK_DBFS:
        text = f"close to clipping: turn the input down {-turn:.0f} dB"
        return turn, (RoomLine(word=RoomWord.LOUD, is_good=False, text=text),)
    if peak_dbfs < WEAK_PEAK_DBFS:
        text = f"weak: turn the input up {turn:.0f} dB, or move the microphone nearer"
        return turn, (RoomLine(word=RoomWord.WEAK, is_good=False, text=text),)
    return None, (RoomLine(word=RoomWord.LEVEL_GOOD, is_good=True, text="level good"),)


def _density(sound: FloatArray, *, sample_rate_hz: int) -> tuple[FloatArray, FloatArray]:
    """Mean square per Hz (Welch's method, Hann window, half overlapping)."""
    size = scipy.fft.next_fast_len(min(sound.size, int(1.0 * sample_rate_hz)), real=True)
    size = min(size, sound.size)
    window = np.hanning(size + 1)[:-1]
    starts = np.arange(0, sound.size - size + 1, max(1, size // 2))
    power = np.zeros(size // 2 + 1)
    for start in starts:
        spectrum = scipy.fft.rfft(sound[start : start + size] * window)
        power += spectrum.real**2 + spectrum.imag**2
    power *= 2.0 / (starts.size * sample_rate_hz * float(np.sum(window**2)))
    hz = np.asarray(np.arange(power.size) * (sample_rate_hz / size), dtype=np.float64)
    return hz, power


def _a_weighted_dbfs(hz: FloatArray, density: FloatArray) -> float:
    weighted = density[1:] * 10.0 ** (a_weighting_db(hz[1:]) / 10.0)
    return float(10.0 * np.log10(max(2.0 * weighted.sum() * hz[1], 1e-20)))


def _find_hum(hz: FloatArray, density: FloatArray) -> tuple[float, float] | None:
    """Mains frequency or the lowest multiple that stands out, and by how many dB; or None."""
    step_hz = hz[1]
    for mains_hz in MAINS_HZ:
        found = []
        for n in range(1, MAINS_HARMONICS + 1):
            away = np.abs(hz - n * mains_hz)
            line = float(density[away <= max(1.5 * step_hz, 0.6)].max())
            around = density[(away >= HUM_REACH_HZ[0]) & (away <= HUM_REACH_HZ[1])]
            above_db = 10.0 * float(np.log10(line / max(float(np.median(around)), 1e-20)))
            level_dbfs = 10.0 * float(np.log10(max(2.0 * line * 1.5 * step_hz, 1e-20)))
            if above_db >= HUM_ABOVE_DB and level_dbfs >= HUM_LEAST_DBFS:
                found.append((n * mains_hz, above_db))
        # One line alone may be anything, unless it is the mains itself or its double.
        if found and (len(found) >= 2 or found[0][0] <= 2 * mains_hz):
            return found[0]
    return None


def _fell_silent(sound: FloatArray, *, sample_rate_hz: int) -> bool:
    """Tell steady noise that gives way to steady silence, as noise suppression sets in."""
    size = int(0.1 * sample_rate_hz)
    count = sound.size // size
    if count < 10:
        return False
    power = (sound[: count * size].reshape(count, size) ** 2).mean(axis=1)
    level_db = 10.0 * np.log10(np.maximum(power, 1e-20))
    early, late = level_db[:FELL_BLOCKS], level_db[-FELL_BLOCKS:]
    fall_db = float(np.median(early) - np.median(late))
    return bool(fall_db > FELL_DB and np.ptp(early) < STEADY_DB and np.ptp(late) < STEADY_DB)


def _is_narrow(hz: FloatArray, density: FloatArray, *, sample_rate_hz: int) -> bool:
    (low, high), (share_low, share_high) = NARROW_PARTS
    middle = density[(hz >= low) & (hz <= high)]
    half = 0.5 * sample_rate_hz
    top = density[(hz >= share_low * half) & (hz <= share_high * half)]
    if middle.size == 0 or top.size == 0 or half < 2.0 * high:
        return False
    fall_db = 10.0 * np.log10(
        max(float(np.median(middle)), 1e-24) / max(float(np.median(top)), 1e-24)
    )
    return bool(fall_db > NARROW_DB)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Moment:
    power: float
    at_s: float
    samples: Float32Array


class QuietMoments:
    """The quietest moments of the last minutes: what the room sounds like without the piano.

    Parameters
    ----------
    sample_rate_hz : int
        Sampling rate.
    """

    BLOCK_S = 0.17
    MOST = 24
    OLDEST_S = 900.0
    FRESH_S = 20.0

    def __init__(self, sample_rate_hz: int) -> None:
        self._size = int(self.BLOCK_S * sample_rate_hz)
        self._moments: list[_Moment] = []
        self._made_at_s = -np.inf
        self._room = np.zeros(0, np.float32)
        self.version = 0  # raised when `room` gives another sound

    @property
    def block_samples(self) -> int:
        """Length of a moment."""
        return self._size

    def offer(self, samples: Float32Array, *, at_s: float) -> None:
        """Keep a moment if it is among the quietest; it is copied.

        Parameters
        ----------
        samples : ndarray, shape (block_samples,)
            Mono.
        at_s : float
            Its time in the run.
        """
        power = float(np.mean(samples.astype(np.float64) ** 2))
        if float(np.max(np.abs(samples), initial=0.0)) <= SILENT:
            return
        kept = [moment for moment in self._moments if at_s - moment.at_s < self.OLDEST_S]
        if len(kept) >= self.MOST:
            loudest = max(kept, key=lambda moment: moment.power)
            if power >= loudest.power:
                self._moments = kept
                return
            kept.remove(loudest)
        kept.append(_Moment(power=power, at_s=at_s, samples=samples.copy()))
        self._moments = kept

    def room(self, *, at_s: float) -> Float32Array:
        """Quiet sound, moments one after the other; made anew at most every 20 s."""
        if at_s - self._made_at_s >= self.FRESH_S or (self._room.size == 0 and self._moments):
            self._made_at_s = at_s
            quiet = sorted(self._moments, key=lambda moment: moment.power)
            # Far louder moments than the quietest few hold the end of a note.
            limit = 4.0 * quiet[min(3, len(quiet) - 1)].power if quiet else 0.0
            chosen = [moment.samples for moment in quiet if moment.power <= limit]
            self._room = np.concatenate(chosen) if chosen else np.zeros(0, np.float32)
            self.version += 1
        return self._room


class GainWatch:
    """Suspects automatic gain or noise suppression."""

    def __init__(self) -> None:
        self._falls_db: deque[float] = deque(maxlen=GAIN_BLOWS)
        self.is_suspected = False

    def add_blow(self, before: FloatArray, after: FloatArray) -> bool:
        """Take one blow into account.

        Parameters
        ----------
        before, after : ndarray, shape (bands, frames)
            Power in bands in the quiet before the blow and at the end of what follows it.

        Returns
        -------
        bool
            Whether suspicion has just arisen.
        """
        if before.shape[1] < 10 or after.shape[1] < 10:
            return False
        earlier = np.maximum(np.median(before, axis=1), 1e-20)
        later = np.maximum(np.median(after, axis=1), 1e-20)
        self._falls_db.append(float(np.median(10.0 * np.log10(earlier / later))))
        suspects = sum(fall >= GAIN_FALL_DB for fall in self._falls_db)
        was, self.is_suspected = self.is_suspected, suspects >= GAIN_SUSPECTS
        return self.is_suspected and not was


GAIN_TEXT = (
    "the room seems quieter after a note than before it: switch automatic gain and noise "
    "suppression off in the sound settings"
)
