"""Was that a key, and which one?

The evidence of one blow (`toneapp.measure.evidence`) is read against the keys of the instrument.
How far the instrument stands off pitch is learnt from the blows that were taken for good, so that
an old piano a semitone flat is not told that every key is wrong.

Classes: `Recogniser`, `Heard`.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray
from toneapp.keyboard import Compass
from toneapp.measure.blows import LEAST_STEADINESS, LEAST_SUPPORT
from toneapp.measure.evidence import PITCH_GRID, PITCH_STEP, StrikeEvidence
from toneapp.measure.labelling import label_run

__all__ = ["Heard", "Recogniser"]

ASKED_MARGIN = 0.12
"""So much less support is enough for the key that was asked for: it is by far the likeliest."""

SAME_MARGIN = 0.2
"""The same for a key that sounds already: its second blow brings little that is new."""

WEAK_SUPPORT = 0.1
WEAK_RISE_DB = 6.0
"""Below the first the evidence for every key is weak; then the rise over what was before must be
that of a blow."""

REACH_SEMITONES = 0.95
FREE_SEMITONES = 0.5
NEAR_COST = 0.25
FAR_COST = 1.5
"""Support lost per squared semitone between a pitch and its key, and more beyond half a semitone:
only the ends of a keyboard are ever so far out."""

LEARNT_BLOWS = 15
MIDDLE_MIDI = (33, 93)
"""The ends of the keyboard are stretched too differently to tell where the instrument stands."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What one onset was taken for."""

    midi: int | None  # None: no note
    pitch: float  # in semitones (MIDI) at A4 = 440 Hz
    support: float


class Recogniser:
    """Reads evidence as keys.

    Parameters
    ----------
    compass : Compass
        Keys of the instrument.
    detune_semitones : float
        Where the instrument stands against A4 = 440 Hz, as far as it is known.
    """

    def __init__(self, compass: Compass, *, detune_semitones: float = 0.0) -> None:
        self._compass = compass
        self._keys = np.arange(compass.lowest_midi, compass.highest_midi + 1)
        self._base = detune_semitones
        self._offsets: deque[float] = deque(maxlen=LEARNT_BLOWS)

    @property
    def detune_semitones(self) -> float:
        """Where the instrument stands, by the blows learnt from."""
        return float(np.median(self._offsets)) if len(self._offsets) >= 2 else self._base

    def hear(
        self,
        evidence: StrikeEvidence,
        *,
        expected: tuple[int, ...] = (),
        sounding: int | None = None,
    ) -> Heard:
        """Read one onset.

        Parameters
        ----------
        evidence : StrikeEvidence
            What rose at the onset.
        expected : tuple of int
            Keys that may well come now, the one asked for first.
        sounding : int, optional
            Key that was sounding when the onset came.

        Returns
        -------
        Heard
            With `midi` ``None`` when it was no struck string.
        """
        at = int(np.argmax(evidence.support))
        label = label_run([evidence], [0.0], compass=self._compass, order="free").labels[0]
        score, pitch = self._scores(evidence.support)
        best = int(np.argmax(score))
        for midi in expected:
            if self._is_weak_asked(
                evidence, float(PITCH_GRID[at]), asked=midi, best=float(score[best])
            ):
                return Heard(
                    midi=midi, pitch=float(PITCH_GRID[at]), support=float(evidence.support[at])
                )
        if label.midi is None:
            return Heard(midi=None, pitch=float(PITCH_GRID[at]), support=label.support)
        likely = [(midi, ASKED_MARGIN) for midi in expected[:1]]
        if sounding is not None:
            likely.append((sounding, SAME_MARGIN))
        for midi, margin in likely:
            if midi in self._compass:
                index = midi - self._compass.lowest_midi
                if score[index] >= score[best] - margin and score[index] > -margin:
                    best = index
                    break
        return Heard(
            midi=int(self._keys[best]), pitch=float(pitch[best]), support=float(score[best])
        )

    def name_support(self, support: FloatArray, *, expected: tuple[int, ...] = ()) -> int:
        """Name the key that explains the support of a note best.

        Parameters
        ----------
        support : ndarray, shape of `PITCH_GRID`
            Mean over several blows that are known to be on one key.
        expected : tuple of int
            As for `hear`.
        """
        score, _pitch = self._scores(support)
        best = int(np.argmax(score))
        for midi in expected[:1]:
            if midi in self._compass:
                index = midi - self._compass.lowest_midi
                if score[index] >= score[best] - ASKED_MARGIN:
                    best = index
        return int(self._keys[best])

    def _is_weak_asked(
        self, evidence: StrikeEvidence, pitch: float, *, asked: int, best: float
    ) -> bool:
        """Tell a key that speaks with hardly a partial, as the highest do, or far off pitch.

        By itself such evidence is a knock's as well; what speaks for the key is that it was asked
        for.
        """
        centre = asked + self.detune_semitones + _usual_stretch(float(asked))
        return (
            best < WEAK_SUPPORT
            and abs(pitch - centre) <= REACH_SEMITONES
            and evidence.rise_db >= WEAK_RISE_DB
            and evidence.steadiness >= LEAST_STEADINESS
            and float(evidence.support.max()) >= LEAST_SUPPORT
        )

    def learn(self, midi: int, pitch: float) -> None:
        """Take a blow into account whose key is certain."""
        if MIDDLE_MIDI[0] <= midi <= MIDDLE_MIDI[1]:
            self._offsets.append(pitch - midi - _usual_stretch(float(midi)))

    def shift_to(self, midi: int, pitch: float) -> None:
        """Be told that a pitch is that of a key, against what was thought."""
        self._offsets.clear()
        self._base = pitch - midi - _usual_stretch(float(midi))

    def _scores(self, support: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Score of every key and the pitch that gives it."""
        stretch = np.array([_usual_stretch(float(midi)) for midi in self._keys])
        centre = self._keys + self.detune_semitones + stretch
        reach = round(REACH_SEMITONES / PITCH_STEP)
        steps = np.arange(-reach, reach + 1)
        at = np.round((centre - PITCH_GRID[0]) / PITCH_STEP).astype(np.int64)[:, None] + steps
        inside = (at >= 0) & (at < PITCH_GRID.size)
        at = np.clip(at, 0, PITCH_GRID.size - 1)
        distance = np.abs(PITCH_GRID[at] - centre[:, None])
        cost = NEAR_COST * distance**2 + FAR_COST * np.maximum(distance - FREE_SEMITONES, 0.0)
        value = np.where(inside, support[at] - cost, -9.0)
        top = np.argmax(value, axis=1)
        rows = np.arange(self._keys.size)
        return value[rows, top], PITCH_GRID[at[rows, top]]


def _usual_stretch(midi: float) -> float:
    """Stretch of the usual tuning in semitones: flat bass, sharp treble (Railsback 1938)."""
    if midi > 72:
        return 0.20 * ((midi - 72) / 36.0) ** 2
    return float(-0.15 * (max(48.0 - midi, 0.0) / 27.0) ** 2)
