"""Which strike belongs to which key? One answer for the whole run.

Each candidate onset brings evidence for every pitch (`toneapp.measure.evidence`). The run is read
as a whole: the instrument may stand up to a semitone off pitch, runs mostly move by small steps in
one direction, and one mistake must not shift the rest. A Viterbi search weighs the evidence
against how usual each step is *in this very run*, which it learns while it goes.

Functions: `label_run`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from toneapp._typing import BoolArray, FloatArray, IntArray
from toneapp.keyboard import Compass
from toneapp.measure.blows import (
    LEAST_SUPPORT,
    USUAL_STEADINESS,
    is_clear,
    is_plain_but_no_louder,
    is_strike,
    no_thump,
    stands_alone,
    trust_in,
)
from toneapp.measure.evidence import LOWEST_KEY, PITCH_GRID, PITCH_STEP, StrikeEvidence

__all__ = ["Label", "RunLabels", "label_run"]

SECOND_BLOW_S = 0.25
"""A blow on the same key within this time of the last one is a second blow (bounce)."""

_STEP_SCALE = 0.025
"""Weight of how usual a step is (natural log of its share) against the evidence (about 0 to 1)."""

_DETUNE_PENALTY = 0.25
_FAR_PENALTY = 1.5
_FAR_SEMITONES = 0.5
"""Evidence lost per squared semitone between a pitch and the key it is read as, and more beyond
half a semitone: only the ends of the keyboard are ever so far out."""

_FLAT_COST = 0.09
_SHARP_COST = 0.15
_MOST_DETUNE = 1.15
_BEYOND_SEMITONES = 0.7
"""A run that fits as well a semitone off as not stands where its pitch is, though rather 60 cents
flat than 40 sharp: strings that nobody tunes go down (common practice, no source). What lies more
than 0.7 semitones beyond the ends of the keyboard speaks against a reading, by its evidence."""

_OPEN_DETUNE = 0.75
_TELLING = 0.15
"""A run named a semitone away is as good when the instrument would then stand no more than 75
cents off (common practice, no source: old pianos stand so far down), and not one strike would lie
beyond the keyboard."""

_CHAIN_RESTART = 3
"""Starting a new round costs as much as three strikes that fit no order."""

_WIDE_STEP = 1e-5
"""Of chains of one length the one counts whose steps are even: a key struck ahead of its turn, and
again in its turn, was a mistake the first time; one struck again after the next was none."""

_NEAR_KEYS = 3
"""Going back this many keys to play one again is no mistake."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """What one candidate was taken for."""

    index: int  # of the candidate
    midi: int | None  # None: no note
    pitch: float  # best pitch of the note in semitones (MIDI), as heard
    support: float
    margin: float  # over the best other key
    is_unexpected: bool
    is_second_blow: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RunLabels:
    """Labels of a run."""

    labels: tuple[Label, ...]
    order: str  # ascending, descending or free
    detune_semitones: float  # instrument against the reference
    other_detune_semitones: float | None = None  # as likely by the sound, all names one key away


def label_run(
    evidence: Sequence[StrikeEvidence],
    onsets_s: Sequence[float],
    *,
    compass: Compass,
    reference_offset: float = 0.0,
    order: str | None = None,
    rises_db: Sequence[float] | None = None,
    sources: Sequence[int] | None = None,
) -> RunLabels:
    """Label all candidates of a run together.

    Parameters
    ----------
    evidence : sequence of StrikeEvidence, length k
        Evidence of each candidate.
    onsets_s : sequence of float, length k
        Their onsets in s, upward.
    compass : Compass
        Keys that the instrument has.
    reference_offset : float
        The reference pitch against A4 = 440 Hz, in semitones.
    order : str, optional
        ``"ascending"``, ``"descending"`` or ``"free"``; read from the run by default.
    rises_db : sequence of float, length k, optional
        Rise at each onset, summed over bands, in dB. What rises far less than most of the run is
        no blow, and what rises less than most counts for less.
    sources : sequence of int, length k, optional
        Recording of each candidate. Over several recordings no order is expected.

    Returns
    -------
    RunLabels
        One label for each candidate, in order.
    """
    is_one_recording = sources is None or len(set(sources)) <= 1
    if order is None and not is_one_recording:
        order = "free"
    usable = np.array([is_strike(item) for item in evidence], dtype=np.bool_)
    usable |= is_plain_but_no_louder(evidence, rises_db, usable)
    trust = trust_in(rises_db, usable, np.array([is_clear(item) for item in evidence]))
    usable &= trust > 0.0
    if not usable.any():
        return RunLabels(
            labels=tuple(_no_note(i, item) for i, item in enumerate(evidence)),
            order=order or "free",
            detune_semitones=0.0,
        )
    weight = trust[usable]
    steadiness = np.array(
        [item.steadiness for item, use in zip(evidence, usable, strict=True) if use]
    )
    # Voices and knocks must not decide where the keyboard ends.
    sure = weight * np.clip((steadiness - USUAL_STEADINESS) / 0.2, 0.0, 1.0)
    support = np.stack([item.support for item, use in zip(evidence, usable, strict=True) if use])
    keys = np.arange(compass.lowest_midi, compass.highest_midi + 1)
    detune, other = _settle_detune(support, keys, weight, sure, reference_offset=reference_offset)
    emission = _key_evidence(support, keys, detune=detune + reference_offset)
    path, direction = _best_path(
        emission * weight[:, None], order=order, is_one_recording=is_one_recording
    )
    midis = keys[path]
    if rises_db is not None:
        chosen = np.flatnonzero(usable)
        rises = np.asarray(rises_db, dtype=np.float64)[chosen]
        own = np.zeros(chosen.size, np.int64) if sources is None else np.asarray(sources)[chosen]
        best = support.max(axis=1)
        is_blow = no_thump(midis, rises, own)
        if not is_one_recording:
            is_blow &= stands_alone(midis, rises, own, best)
        usable[chosen[~is_blow]] = False
        midis = midis[is_blow]
    times = np.asarray(onsets_s)[usable]
    unexpected = _off_order(midis, direction)
    return _as_labels(
        evidence,
        usable,
        midis,
        times,
        unexpected,
        order=direction,
        detune=detune,
        other_detune=other,
        reference_offset=reference_offset,
    )


def _no_note(index: int, item: StrikeEvidence) -> Label:
    """Label of a candidate that is no strike."""
    at = int(np.argmax(item.support))
    return Label(
        index=index,
        midi=None,
        pitch=float(PITCH_GRID[at]),
        support=float(item.support[at]),
        margin=0.0,
        is_unexpected=False,
        is_second_blow=False,
    )


def _usual_stretch(midi: FloatArray) -> FloatArray:
    """Usual stretch of the tuning in semitones: flat bass, sharp treble (Railsback 1938)."""
    return np.where(
        midi > 72, 0.20 * ((midi - 72) / 36.0) ** 2, -0.15 * (np.maximum(48 - midi, 0) / 27.0) ** 2
    )


def _settle_detune(
    support: FloatArray,
    keys: IntArray,
    weight: FloatArray,
    sure: FloatArray,
    *,
    reference_offset: float,
) -> tuple[float, float | None]:
    """Semitones of the instrument from the reference, and the other answer if it is as good.

    The whole semitone is open: it is settled by what would lie beyond the ends of the keyboard.
    """
    fraction = _tuning_fraction(support, weight, reference_offset=reference_offset)
    options = [fraction + whole for whole in (0, -1, 1) if abs(fraction + whole) <= _MOST_DETUNE]
    lost = {
        option: _uncovered(support, keys, sure, detune=option + reference_offset)
        for option in options
    }
    detune = min(
        options,
        key=lambda option: lost[option] + max(-_FLAT_COST * option, _SHARP_COST * option),
    )
    other = min((option for option in options if option != detune), key=abs, default=None)
    if other is None or abs(other) > _OPEN_DETUNE or lost[other] >= lost[detune] + _TELLING:
        other = None
    return detune, other


def _tuning_fraction(support: FloatArray, trust: FloatArray, *, reference_offset: float) -> float:
    """Detuning within half a semitone, from the pitches heard most clearly."""
    at = np.argmax(support, axis=1)
    at = np.clip(at, 1, support.shape[1] - 2)
    rows = np.arange(support.shape[0])
    left, top, right = (support[rows, at + k] for k in (-1, 0, 1))
    bend = left - 2 * top + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
    pitch = PITCH_GRID[at] + np.clip(shift, -0.5, 0.5) * PITCH_STEP
    weight = trust * np.maximum(top, 0.02) ** 2
    weight *= np.where((pitch > 36) & (pitch < 90), 1.0, 0.1)
    angle = 2j * np.pi * (pitch - _usual_stretch(pitch) - reference_offset)
    mean = np.sum(weight * np.exp(angle))
    if abs(mean) < 0.2 * weight.sum():
        return 0.0
    return float(np.angle(mean) / (2.0 * np.pi))


def _key_evidence(support: FloatArray, keys: IntArray, *, detune: float) -> FloatArray:
    """Evidence of every key: the best pitch near where the key should sound."""
    centre = keys + detune + _usual_stretch(keys.astype(np.float64))
    reach = round(0.95 / PITCH_STEP)
    offsets = np.arange(-reach, reach + 1) * PITCH_STEP
    at = np.round((centre[:, None] + offsets - LOWEST_KEY) / PITCH_STEP).astype(np.int64)
    inside = (at >= 0) & (at < PITCH_GRID.size)
    clipped = np.clip(at, 0, PITCH_GRID.size - 1)
    distance = PITCH_GRID[clipped] - centre[:, None]
    far = np.maximum(np.abs(distance) - _FAR_SEMITONES, 0.0)
    penalty = _DETUNE_PENALTY * distance**2 + _FAR_PENALTY * far + np.where(inside, 0.0, 9.0)
    return np.asarray((support[:, clipped] - penalty[None, :, :]).max(axis=2))


def _best_path(
    emission: FloatArray, *, order: str | None, is_one_recording: bool
) -> tuple[IntArray, str]:
    """Viterbi path over the keys; the cost of each step is learnt from the run."""
    path = np.argmax(emission, axis=1)
    if not is_one_recording:
        # Recordings of single notes follow in any order: each stands for itself.
        return path, order or "free"
    keys = emission.shape[1]
    steps = np.arange(-(keys - 1), keys)
    shares = 1.0 / (1.0 + np.abs(steps)) ** 1.0
    if order == "ascending":
        shares = shares * np.where(steps >= 0, 1.0, 0.2)
    elif order == "descending":
        shares = shares * np.where(steps <= 0, 1.0, 0.2)
    prior = shares / shares.sum()
    shares = prior
    for _ in range(3):
        path = _viterbi(emission, -_STEP_SCALE * np.log(shares))
        if path.size < 4:
            break
        taken = np.bincount(np.diff(path) + keys - 1, minlength=steps.size).astype(np.float64)
        shares = (taken + 6.0 * prior) / (taken.sum() + 6.0)
    if order is not None:
        return path, order
    moved = np.diff(path)
    up, down = int(np.sum(moved > 0)), int(np.sum(moved < 0))
    if up + down >= 3 and up >= 0.8 * (up + down):
        return path, "ascending"
    if up + down >= 3 and down >= 0.8 * (up + down):
        return path, "descending"
    return path, "free"


def _viterbi(emission: FloatArray, step_cost: FloatArray) -> IntArray:
    """Path of the greatest evidence less step costs; `step_cost` is indexed by step + keys - 1."""
    count, keys = emission.shape
    index = np.arange(keys)
    cost = step_cost[index[None, :] - index[:, None] + keys - 1]  # from row to column
    total = emission[0].copy()
    back = np.zeros((count, keys), dtype=np.int64)
    for i in range(1, count):
        reach = total[:, None] - cost
        back[i] = np.argmax(reach, axis=0)
        total = reach[back[i], index] + emission[i]
    path = np.zeros(count, dtype=np.int64)
    path[-1] = int(np.argmax(total))
    for i in range(count - 1, 0, -1):
        path[i - 1] = back[i, path[i]]
    return path


def _uncovered(support: FloatArray, keys: IntArray, trust: FloatArray, *, detune: float) -> float:
    """Evidence lost because a pitch lies beyond the ends of the keyboard."""
    pitch = PITCH_GRID[np.argmax(support, axis=1)] - detune
    pitch = pitch - _usual_stretch(pitch)
    clear = np.sort(support, axis=1)[:, -1]
    beyond = (pitch < keys[0] - _BEYOND_SEMITONES) | (pitch > keys[-1] + _BEYOND_SEMITONES)
    return float(np.sum(trust * np.where(beyond, np.maximum(clear, 0.0), 0.0)))


def _off_order(midis: IntArray, order: str) -> BoolArray:
    """Mark strikes that leave the run's order."""
    count = midis.size
    off = np.zeros(count, dtype=np.bool_)
    if order == "free" or count < 4:
        return off
    way = midis if order == "ascending" else -midis
    # Longest chain that never goes back, with restarts for further rounds.
    length = np.ones(count)
    back = np.full(count, -1, dtype=np.int64)
    for i in range(1, count):
        step = way[i] - way[:i]
        gain = length[:i] + np.where(
            step >= 0,
            1.0 - _WIDE_STEP * np.minimum(step, 100) ** 2,
            np.where(step < -12, 1.0 - _CHAIN_RESTART, -np.inf),
        )
        best = int(np.argmax(gain.round(9)))  # of equal ones the first
        if gain[best] > 1.0:
            length[i], back[i] = gain[best], best
    chain = np.zeros(count, dtype=np.bool_)
    at = int(np.argmax(length))
    while at >= 0:
        chain[at] = True
        at = int(back[at])
    frontier: int | None = None
    for i in range(count):
        if chain[i]:
            frontier = int(way[i])
        else:
            behind = frontier - int(way[i]) if frontier is not None else -1
            off[i] = not 0 <= behind <= _NEAR_KEYS
    return off


def _as_labels(
    evidence: Sequence[StrikeEvidence],
    usable: BoolArray,
    midis: IntArray,
    times: FloatArray,
    unexpected: BoolArray,
    *,
    order: str,
    detune: float,
    other_detune: float | None,
    reference_offset: float,
) -> RunLabels:
    """Put the answers of the usable candidates back among all candidates."""
    labels: list[Label] = []
    row = 0
    last_time: dict[int, float] = {}
    for i, item in enumerate(evidence):
        if not usable[i]:
            labels.append(_no_note(i, item))
            continue
        midi = int(midis[row])
        centre = midi + detune + reference_offset
        near = np.abs(PITCH_GRID - centre) <= 0.95
        at = int(np.argmax(np.where(near, item.support, -np.inf)))
        support = float(item.support[at])
        other = float(
            np.max(np.where(np.abs(PITCH_GRID - PITCH_GRID[at]) > 0.6, item.support, -9.0))
        )
        second = midi in last_time and times[row] - last_time[midi] < SECOND_BLOW_S
        last_time[midi] = float(times[row])
        is_note = support >= LEAST_SUPPORT
        labels.append(
            Label(
                index=i,
                midi=midi if is_note else None,
                pitch=float(PITCH_GRID[at]),
                support=support,
                margin=support - other,
                is_unexpected=bool(unexpected[row]),
                is_second_blow=bool(second),
            )
        )
        row += 1
    return RunLabels(
        labels=tuple(labels),
        order=order,
        detune_semitones=detune,
        other_detune_semitones=other_detune,
    )
