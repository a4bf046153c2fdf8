"""What can be known of the hammers, and how close do the measured residuals come to it?

With one blow per note, hammer and blow cannot be told apart from sound alone. Two ceilings are
worked out from the truth itself, without any recording:

- *same judgement*: the true brightness and level of every strike put through the same correction
  for the blow and the same trend as measured ones;
- *trend known*: on top of that the trend, each note's slope and its nominal hammer are known, and
  the hammer is the best linear guess from the two numbers of each strike. No measurement of the
  spectrum can correlate better with a linear rule.

Functions: `correlations`, `raised_notes`.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scenes import Played

from toneapp._typing import FloatArray
from toneapp.evenness.judge import judge_evenness
from toneapp.pitch import note_name
from toneapp.results import NoteResult, Raised, StrikeResult

__all__ = ["HammerFigures", "RaisedFigures", "correlations", "raised_notes"]

HAMMER_TOP = 84
"""Up to C6 a hammer can change the centroid by what it is said to; above, ever less is there to
change."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HammerFigures:
    """Correlations with the hammers of one run."""

    r_hardness: float | None  # residual against the offset the hammer was made with
    r_hardness_to_c6: float | None
    r_effect: float | None  # against what that does at the reference level
    ceiling_same_judgement: float | None  # with r_hardness, true spectra
    ceiling_trend_known: float | None
    z: tuple[float, ...]  # residual minus truth over stated error, per note
    se: tuple[float, ...]  # octaves
    extreme_z: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RaisedFigures:
    """Notes raised in one run."""

    faulty: int  # hammers or levels off on purpose
    found: int  # of them raised, in the right direction
    false: tuple[str, ...]  # others raised for level or brightness
    missed: tuple[str, ...]
    decay: tuple[str, ...]  # raised for their decay
    found_from_truth: int  # by the same judgement of true spectra and levels


def correlations(played: Played) -> HammerFigures:
    """Hold the residuals of a run against its hammers."""
    truth = played.truth.notes
    residual = _residuals(played.result.notes)
    keys = sorted(set(residual) & set(truth))
    hardness = np.array([truth[midi].hardness_oct for midi in keys])
    effect = np.array([truth[midi].hammer_effect_at_level_oct for midi in keys])
    measured = np.array([residual[midi] for midi in keys])
    low = np.array(keys) <= HAMMER_TOP
    ideal_notes, _ = judge_evenness(_true_strikes(played), layout=played.piano.layout)
    ideal = _residuals(ideal_notes)
    errors = {n.midi: n.brightness_se for n in played.result.notes}
    # Residuals are from the run's own trend: where that lies in the truth is not told by it.
    off = measured - effect
    off = off - np.median(off)
    z = [
        float(value / se)
        for value, midi in zip(off, keys, strict=True)
        if (se := errors.get(midi)) is not None and se > 0
    ]
    return HammerFigures(
        r_hardness=_pearson(measured, hardness),
        r_hardness_to_c6=_pearson(measured[low], hardness[low]),
        r_effect=_pearson(measured, effect),
        ceiling_same_judgement=_pearson(
            np.array([ideal[m] for m in keys if m in ideal]),
            np.array([truth[m].hardness_oct for m in keys if m in ideal]),
        ),
        ceiling_trend_known=_best_linear(played),
        z=tuple(z),
        se=tuple(float(se) for midi in keys if (se := errors.get(midi)) is not None),
        extreme_z=max((abs(v) for v in z), default=None),
    )


def raised_notes(played: Played) -> RaisedFigures:
    """Hold the raised notes against the faults put in."""
    raised: dict[int, set[Raised]] = {n.midi: set(n.raised) for n in played.result.notes}
    wanted: dict[int, Raised] = {}
    for midi, size in played.faults.hardness_oct.items():
        wanted[midi] = Raised.BRIGHT if size > 0 else Raised.DULL
    for midi, size in played.faults.level_db.items():
        wanted[midi] = Raised.LOUD if size > 0 else Raised.SOFT
    tone = {Raised.BRIGHT, Raised.DULL, Raised.LOUD, Raised.SOFT}
    found = [midi for midi, what in wanted.items() if what in raised.get(midi, set())]
    ideal_notes, _ = judge_evenness(_true_strikes(played), layout=played.piano.layout)
    ideal = {n.midi: set(n.raised) for n in ideal_notes}
    false = [
        f"{note_name(midi)} {'/'.join(sorted(what & tone))}"
        for midi, what in sorted(raised.items())
        if what & tone and midi not in wanted
    ]
    sizes = {**played.faults.hardness_oct, **played.faults.level_db}
    missed = [
        f"{note_name(midi)} {what} ({sizes[midi]:+.2f})"
        for midi, what in sorted(wanted.items())
        if midi not in found
    ]
    decay = [note_name(midi) for midi, what in sorted(raised.items()) if what - tone]
    return RaisedFigures(
        faulty=len(wanted),
        found=len(found),
        false=tuple(false),
        missed=tuple(missed),
        decay=tuple(decay),
        found_from_truth=sum(what in ideal.get(midi, set()) for midi, what in wanted.items()),
    )


def _residuals(notes: Sequence[NoteResult]) -> dict[int, float]:
    return {n.midi: n.brightness_residual for n in notes if n.brightness_residual is not None}


def _true_strikes(played: Played) -> list[StrikeResult]:
    """Strikes as a perfect measurement of spectrum and level would give them."""
    return [
        StrikeResult(
            midi=truth.midi,
            note=note_name(truth.midi),
            onset_s=truth.onset_s,
            end_s=truth.end_s,
            level_db=truth.level_db,
            brightness=truth.brightness_oct,
            brightness_se=1e-4,
        )
        for truth in played.truth.strikes
    ]


def _best_linear(played: Played) -> float | None:
    """Correlation of the hammers with the best linear guess, trend and slopes known.

    Each note's strikes give a mean deviation of brightness from the nominal hammer at 2 m/s and of
    level from the trend, the latter turned into octaves by the note's true slope; several
    different blows give the brightness at the trend level itself.
    """
    strikes = defaultdict(list)
    for truth in played.truth.strikes:
        strikes[truth.midi].append((truth.level_db, truth.brightness_oct))
    rows, hardness = [], []
    for midi, blows in sorted(strikes.items()):
        note = played.truth.notes[midi]
        level, brightness = np.array(blows).T
        slope = (note.brightness_oct - note.brightness_at_level_oct) / (
            note.level_db - note.level_trend_db or math.inf
        )
        bright = float(brightness.mean()) - (note.brightness_oct - note.hammer_effect_oct)
        loud = float(level.mean()) - note.level_trend_db
        row = [bright, slope * loud, 1.0]
        if level.size > 1 and np.ptp(level) > 2.0:
            own_slope, _ = np.polyfit(level, brightness, 1)
            nominal = note.brightness_at_level_oct - note.hammer_effect_at_level_oct
            at_trend = float(brightness.mean()) - own_slope * loud - nominal
            row = [at_trend, bright, slope * loud, 1.0]
        rows.append(row)
        hardness.append(note.hardness_oct)
    if len({len(row) for row in rows}) != 1:
        return None
    design, target = np.array(rows), np.array(hardness)
    guess = design @ np.linalg.lstsq(design, target, rcond=None)[0]
    return _pearson(guess, target)


def _pearson(a: FloatArray, b: FloatArray) -> float | None:
    if a.size < 8 or float(np.std(a)) == 0.0 or float(np.std(b)) == 0.0:
        return None
    return float(np.corrcoef(a, b)[0, 1])
