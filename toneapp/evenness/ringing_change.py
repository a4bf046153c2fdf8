"""What rings less, what rings more? Two runs held against each other, dampers fitted or not.

Per struck note and ringing string, per string, per struck note, and one figure for all that the
strings without dampers add after damped keys. What was heard in one run only is bounded by what
the other would have shown, never guessed.

Conventions: differences are *after minus before*, in dB; levels are relative to the struck note's
own peak level. Intervals hold the true value in 19 of 20 cases.

Functions: `ringing_change`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray
from toneapp.evenness.discovery import FALSE_DISCOVERY_RATE, adjust_p_values
from toneapp.evenness.level_change import (
    Z95,
    LevelChange,
    TwoLevels,
    level_change,
    level_changes,
)
from toneapp.evenness.ringing_matrix import RingingMatrix, ringing_matrix
from toneapp.pitch import note_name
from toneapp.results import Cause, Flag, RunResult

__all__ = [
    "PairChange",
    "RingingChange",
    "StringChange",
    "StruckChange",
    "TrebleChange",
    "ringing_change",
]

USUAL_SD_DB = 4.0
"""Spread of one string's level from blow to blow, where a run has no repeated blows to tell: the
strings of a unison beat, and the hand holds the key for different times (3.0 to 4.3 dB between
runs of one unchanged simulated piano; no source)."""

LEAST_REPEATS = 5
DRAWS = 2000
LEAST_NOTES = 5
CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class PairChange:
    """One string after the release of one key."""

    struck_midi: int
    midi: int  # of the string; 0 when it belongs to no key
    cause_before: Cause | None  # None where it was not heard
    cause_after: Cause | None
    level: LevelChange


@dataclass(frozen=True, slots=True, kw_only=True)
class StringChange:
    """One string over all keys that both runs have."""

    midi: int
    note: str
    keys_before: tuple[int, ...]  # keys after which it was heard
    keys_after: tuple[int, ...]
    level: LevelChange  # energy mean over the keys after which it was ever heard


@dataclass(frozen=True, slots=True, kw_only=True)
class StruckChange:
    """All that rings after one key."""

    midi: int
    note: str
    strings_before: tuple[int, ...]
    strings_after: tuple[int, ...]
    level: LevelChange  # energy sum over the strings


@dataclass(frozen=True, slots=True, kw_only=True)
class TrebleChange:
    """Energy that strings without dampers add, mean over the damped keys of both runs."""

    before_db: float | None  # None when no such string was heard at all
    after_db: float | None
    difference_db: float | None
    low_db: float | None
    high_db: float | None
    notes: int  # damped keys in common
    keys_before: int = 0  # of these, keys after which such a string was heard
    keys_after: int = 0
    flags: tuple[Flag, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RingingChange:
    """Two ring-on runs held against each other."""

    pairs: tuple[PairChange, ...]  # upward by string, then by struck key
    strings: tuple[StringChange, ...]  # largest change first
    struck: tuple[StruckChange, ...]  # upward
    treble: TrebleChange
    common: tuple[int, ...]  # struck keys of both runs
    only_before: tuple[int, ...]
    only_after: tuple[int, ...]


def ringing_change(
    before: RunResult, after: RunResult, *, rng: np.random.Generator
) -> RingingChange:
    """Compare what rings in two runs of one instrument.

    Parameters
    ----------
    before, after : RunResult
        In the order of the work.
    rng : numpy.random.Generator
        Draws the keys of the bootstrap.

    Returns
    -------
    RingingChange
        Over the keys after whose release both runs show what rings.

    Notes
    -----
    The error of one string's level after one key comes from repeated blows of the two runs,
    pooled, or from the usual spread; over all keys and strings the false-discovery rate is held at
    5 %. Strings and the figure of the treble have a percentile
    bootstrap over the struck keys, drawn alike for both runs [1]_, or the interval that the spread
    from blow to blow gives where that is wider. In sums and means only what
    both runs would have shown counts, so that a noisier run does not look like a cure; what was
    not heard counts as nothing.

    References
    ----------
    .. [1] B. Efron, R. Tibshirani, "Bootstrap methods for standard errors, confidence
       intervals, and other measures of statistical accuracy", Stat. Sci. 1, 54 (1986).
    """
    first, second = ringing_matrix(before), ringing_matrix(after)
    common = tuple(sorted(set(first.struck) & set(second.struck)))
    sd_db = _blow_sd_db(before, after)
    return RingingChange(
        pairs=_pairs(first, second, common, sd_db=sd_db),
        strings=_strings(first, second, common, sd_db=sd_db, rng=rng),
        struck=_struck(first, second, common, sd_db=sd_db),
        treble=_treble(first, second, common, sd_db=sd_db, rng=rng),
        common=common,
        only_before=tuple(sorted(set(first.struck) - set(second.struck))),
        only_after=tuple(sorted(set(second.struck) - set(first.struck))),
    )


def _blow_sd_db(*runs: RunResult) -> float:
    """Spread of a string's level over repeated blows on one key, pooled over both runs."""
    squares, freedom = 0.0, 0
    for run in runs:
        levels: dict[tuple[int, int | None], list[float]] = {}
        for strike in run.strikes:
            for echo in strike.ringing:
                levels.setdefault((strike.midi, echo.midi), []).append(echo.level_db)
        for values in levels.values():
            if len(values) > 1:
                squares += float(np.var(values)) * len(values)
                freedom += len(values) - 1
    if freedom < LEAST_REPEATS:
        return USUAL_SD_DB
    return max(float(np.sqrt(squares / freedom)), 0.5)


def _se_db(sd_db: float, *counts: int) -> float:
    """Standard error of a difference of two means of blows."""
    return sd_db * float(np.sqrt(sum(1.0 / max(count, 1) for count in counts)))


def _pairs(
    first: RingingMatrix, second: RingingMatrix, common: Sequence[int], *, sd_db: float
) -> tuple[PairChange, ...]:
    wanted = set(common)
    old = {(c.midi, c.struck_midi): c for c in first.cells if c.struck_midi in wanted}
    new = {(c.midi, c.struck_midi): c for c in second.cells if c.struck_midi in wanted}
    places = sorted(old.keys() | new.keys())
    cells = [(old.get(place), new.get(place)) for place in places]
    levels = level_changes(
        [
            TwoLevels(
                before_db=None if a is None else a.level_db,
                after_db=None if b is None else b.level_db,
                limit_before_db=first.limits_db[struck],
                limit_after_db=second.limits_db[struck],
                # What was not heard has an error too: so many blows did not show it.
                se_db=_se_db(sd_db, *(1 if c is None else c.heard for c in (a, b))),
            )
            for (_, struck), (a, b) in zip(places, cells, strict=True)
        ]
    )
    return tuple(
        PairChange(
            struck_midi=struck,
            midi=midi,
            cause_before=None if a is None else a.cause,
            cause_after=None if b is None else b.cause,
            level=level,
        )
        for (midi, struck), (a, b), level in zip(places, cells, levels, strict=True)
    )


def _energies(
    matrix: RingingMatrix,
    keys: Sequence[int],
    takes: Callable[[int], bool],
    *,
    floors_db: Mapping[int, float],
) -> FloatArray:
    """Energy after each key of the strings that are taken and stand above a floor."""
    place = {key: i for i, key in enumerate(keys)}
    energy = np.zeros(len(keys))
    for cell in matrix.cells:
        if cell.struck_midi not in place or cell.level_db < floors_db[cell.struck_midi]:
            continue
        if takes(cell.midi):
            # A string heard after some of the blows only has that share of the energy.
            share = cell.heard / cell.strikes
            energy[place[cell.struck_midi]] += share * 10.0 ** (cell.level_db / 10.0)
    return energy


def _common_floors(
    first: RingingMatrix, second: RingingMatrix, common: Sequence[int]
) -> dict[int, float]:
    """Level after each key above which both runs would show a string.

    Without it a noisier second run would look like a cure.
    """
    return {key: max(first.limits_db[key], second.limits_db[key]) for key in common}


def _db(energy: float) -> float | None:
    return 10.0 * float(np.log10(energy)) if energy > 0.0 else None


def _limit_db(limits: Mapping[int, float], keys: Sequence[int]) -> float:
    """Level that the mean over some keys may have had unheard."""
    return float(10.0 * np.log10(np.mean([10.0 ** (limits[key] / 10.0) for key in keys])))


def _strings(
    first: RingingMatrix,
    second: RingingMatrix,
    common: Sequence[int],
    *,
    sd_db: float,
    rng: np.random.Generator,
) -> tuple[StringChange, ...]:
    floors = _common_floors(first, second, common)
    rows: list[TwoLevels] = []
    intervals: list[tuple[float, float] | None] = []
    heard: list[tuple[int, tuple[int, ...], tuple[int, ...]]] = []
    for midi in sorted({c.midi for m in (first, second) for c in m.cells}):
        old, new = (
            tuple(
                c.struck_midi
                for c in matrix.of_string(midi)
                if c.struck_midi in floors and c.level_db >= floors[c.struck_midi]
            )
            for matrix in (first, second)
        )
        keys = sorted({*old, *new})
        if not keys:
            continue

        def is_this(other: int, midi: int = midi) -> bool:
            return other == midi

        a = _energies(first, keys, is_this, floors_db=floors)
        b = _energies(second, keys, is_this, floors_db=floors)
        rows.append(
            TwoLevels(
                before_db=_db(float(a.mean())),
                after_db=_db(float(b.mean())),
                limit_before_db=_limit_db(floors, keys),
                limit_after_db=_limit_db(floors, keys),
                se_db=_mean_se_db(a, b, sd_db=sd_db),
            )
        )
        intervals.append(_interval(a, b, sd_db=sd_db, rng=rng) if a.any() and b.any() else None)
        heard.append((midi, old, new))
    adjusted = adjust_p_values(np.array([min(row.p_value(), 1.0) for row in rows]))
    found = [
        StringChange(
            midi=midi,
            note=note_name(midi) if midi else "no key",
            keys_before=old,
            keys_after=new,
            level=level_change(
                row,
                is_sure=p <= FALSE_DISCOVERY_RATE
                and (interval is None or interval[0] > 0.0 or interval[1] < 0.0),
                interval=interval,
            ),
        )
        for (midi, old, new), row, interval, p in zip(
            heard, rows, intervals, adjusted.tolist(), strict=True
        )
    ]
    # By energy gained or lost: what the ear meets first.
    return tuple(
        sorted(
            found,
            key=lambda s: (
                -abs(
                    10.0 ** (s.level.after_db / 10.0) * len(s.keys_after)
                    - 10.0 ** (s.level.before_db / 10.0) * len(s.keys_before)
                )
            ),
        )
    )


def _struck(
    first: RingingMatrix, second: RingingMatrix, common: Sequence[int], *, sd_db: float
) -> tuple[StruckChange, ...]:
    def takes_all(_midi: int) -> bool:
        return True

    floors = _common_floors(first, second, common)
    a = _energies(first, common, takes_all, floors_db=floors)
    b = _energies(second, common, takes_all, floors_db=floors)
    places = [i for i in range(len(common)) if a[i] > 0.0 or b[i] > 0.0]
    levels = level_changes(
        [
            TwoLevels(
                before_db=_db(float(a[i])),
                after_db=_db(float(b[i])),
                limit_before_db=floors[common[i]],
                limit_after_db=floors[common[i]],
                se_db=_se_db(sd_db, 1, 1),
            )
            for i in places
        ]
    )
    return tuple(
        StruckChange(
            midi=common[i],
            note=note_name(common[i]),
            strings_before=tuple(c.midi for c in first.of_struck(common[i])),
            strings_after=tuple(c.midi for c in second.of_struck(common[i])),
            level=level,
        )
        for i, level in zip(places, levels, strict=True)
    )


def _treble(
    first: RingingMatrix,
    second: RingingMatrix,
    common: Sequence[int],
    *,
    sd_db: float,
    rng: np.random.Generator,
) -> TrebleChange:
    """Energy of the strings that were free in the first run, whatever they have in the second."""
    lasts = [m.last_damper_midi for m in (first, second) if m.last_damper_midi is not None]
    if not lasts:
        return _no_treble(common)
    last = min(lasts)  # dampers fitted above it are the work that is to be judged
    keys = [key for key in common if key <= last]
    if len(keys) < LEAST_NOTES:
        return _no_treble(keys)

    def is_treble(midi: int) -> bool:
        return midi > last

    floors = _common_floors(first, second, keys)
    a = _energies(first, keys, is_treble, floors_db=floors)
    b = _energies(second, keys, is_treble, floors_db=floors)
    before_db, after_db = _db(float(a.mean())), _db(float(b.mean()))
    low: float | None = None
    high: float | None = None
    difference_db: float | None = None
    if before_db is not None and after_db is not None:
        difference_db = after_db - before_db
        low, high = _interval(a, b, sd_db=sd_db, rng=rng)
    return TrebleChange(
        before_db=before_db,
        after_db=after_db,
        difference_db=difference_db,
        low_db=low,
        high_db=high,
        notes=len(keys),
        keys_before=int(np.count_nonzero(a)),
        keys_after=int(np.count_nonzero(b)),
        flags=() if difference_db is not None else (Flag.NOISE_HIDES_RING,),
    )


def _no_treble(keys: Sequence[int]) -> TrebleChange:
    return TrebleChange(
        before_db=None, after_db=None, difference_db=None, low_db=None, high_db=None,
        notes=len(keys), flags=(Flag.TOO_FEW_NOTES,),
    )  # fmt: skip


def _mean_se_db(*energies: FloatArray, sd_db: float) -> float:
    """Error in dB of a difference of mean energies, from the spread between blows.

    A mean that one loud key makes is known no better than that key.
    """
    shares = []
    for energy in energies:
        total, squares = float(energy.sum()), float((energy**2).sum())
        shares.append(squares / total**2 if total > 0.0 else 1.0 / energy.size)
    return sd_db * float(np.sqrt(sum(shares)))


def _interval(
    before: FloatArray, after: FloatArray, *, sd_db: float, rng: np.random.Generator
) -> tuple[float, float]:
    """Interval of the difference of two mean energies in dB.

    The wider of what the spread from blow to blow gives, and of the bootstrap over keys, which
    is too narrow for few keys.
    """
    difference = 10.0 * float(np.log10(after.mean() / before.mean()))
    half = Z95 * _mean_se_db(before, after, sd_db=sd_db)
    low, high = difference - half, difference + half
    drawn = _bootstrap(before, after, rng=rng) if before.size >= LEAST_NOTES else None
    return (low, high) if drawn is None else (min(low, drawn[0]), max(high, drawn[1]))


def _bootstrap(
    before: FloatArray, after: FloatArray, *, rng: np.random.Generator
) -> tuple[float, float] | None:
    """Percentile interval of the difference of two mean energies in dB, over keys.

    Draws without any energy in one of the runs bound nothing; where they are more than the
    interval leaves out, there is none.
    """
    chosen = rng.integers(0, before.size, (DRAWS, before.size))
    a, b = before[chosen].mean(axis=1), after[chosen].mean(axis=1)
    known = (a > 0.0) & (b > 0.0)
    tail = 0.5 - 0.5 * CONFIDENCE
    if np.count_nonzero(known) < (1.0 - tail) * DRAWS:
        return None
    low, high = np.quantile(10.0 * np.log10(b[known] / a[known]), [tail, 1.0 - tail])
    return float(low), float(high)
