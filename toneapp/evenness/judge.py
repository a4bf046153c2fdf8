"""How even is the run, and which of its notes leave the instrument's own trend?

`judge_evenness` takes the strikes of one run and returns one value per note for every measure,
the residuals from the trend, the notes that are raised, and the figures of the whole run.
"""

from __future__ import annotations

import dataclasses
import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from toneapp._typing import FloatArray, IntArray
from toneapp.evenness.blows import moderate
from toneapp.evenness.brightness import EvenBrightness, even_brightness
from toneapp.evenness.levels import EvenLevels, even_levels
from toneapp.evenness.outliers import Residuals, judge_residuals
from toneapp.evenness.pooling import common_flags, pool_limits, pool_measured, pool_median
from toneapp.evenness.slopes import default_slope_oct_per_db
from toneapp.evenness.spread import bootstrap_sd_se, core_sd
from toneapp.evenness.touch_layers import Rounds, find_rounds
from toneapp.keyboard import KeyboardLayout
from toneapp.pitch import note_name
from toneapp.results import Evenness, Flag, NoteResult, Raised, StrikeResult

__all__ = [
    "AUDIBLE_BRIGHTNESS_OCT",
    "AUDIBLE_DECAY_LN",
    "AUDIBLE_LEVEL_DB",
    "judge_evenness",
]

AUDIBLE_LEVEL_DB = 1.0
"""Just-noticeable difference of level (from memory: about 1 dB, less for steady loud sounds in
direct comparison)."""

AUDIBLE_BRIGHTNESS_OCT = 0.1
"""Just-noticeable difference of the centroid. At one pitch 3 to 5 % in good conditions (from
memory), 0.04 to 0.07 octave; notes of different pitch are told apart less finely."""

AUDIBLE_DECAY_LN = math.log(1.25)
"""Just-noticeable ratio of decay times, about 25 % (common practice, no source)."""

ORDINARY_BRIGHTNESS_OCT = AUDIBLE_BRIGHTNESS_OCT
"""Spread of brightness over the notes that passes as ordinary."""

DECAY_SCATTER_LN = 0.1
"""Spread of the prompt decay time between blows on one note, log ratio, where no repeat tells it
(common practice, no source)."""

LEAST_DECAY_SCATTER_LN = 0.01
"""Decay times agree no better than this, whatever the blows."""

_BOOTSTRAP_KEY = 1995  # fixed, so that one run always gives one set of figures


def judge_evenness(
    strikes: Sequence[StrikeResult],
    *,
    layout: KeyboardLayout,
    rng: np.random.Generator | None = None,
) -> tuple[tuple[NoteResult, ...], Evenness]:
    """Pool the strikes of a run into notes and hold each note against the trend.

    Parameters
    ----------
    strikes : sequence of StrikeResult
        Strikes of one run in any order. Those outside the compass are left out.
    layout : KeyboardLayout
        Compass and breaks of the instrument.
    rng : numpy.random.Generator, optional
        Draws the bootstrap of the figures' errors; a fixed one without it, so that the same
        strikes give the same figures.

    Returns
    -------
    notes : tuple of NoteResult
        One per note that was struck, upward.
    evenness : Evenness
        Figures of the run.

    Notes
    -----
    Clipped strikes are left out of level and brightness where the note has others. A trend needs
    seven notes; with fewer, residuals are None and `Flag.TOO_FEW_NOTES` says so.
    `Evenness.touch_scatter_db` is None when no blow was repeated, and `touch_scatter_oct` is what
    is left between blows on a note once their levels are accounted for.
    """
    by_note = _strikes_by_note(strikes, layout)
    if not by_note:
        return (), Evenness(flags=(Flag.TOO_FEW_NOTES,))
    draw = np.random.default_rng(_BOOTSTRAP_KEY) if rng is None else rng
    breaks = [float(first) for first in layout.breaks()]
    fields = {midi: _pooled_fields(midi, group) for midi, group in by_note.items()}
    notes_flags: dict[int, list[Flag]] = {
        midi: list(common_flags(group)) for midi, group in by_note.items()
    }
    _fill_place(fields, by_note)
    rounds = _rounds(by_note)
    levels = _even_levels(by_note, rounds, breaks)
    brightness = _judge_brightness(by_note, levels, fields, breaks)
    level = _judge_level(levels, brightness, fields, breaks)
    _fill_level(fields, level)
    _fill_brightness(fields, notes_flags, brightness)
    _fill_decay(fields, by_note, breaks)
    tuning = _fill_tuning(fields, breaks)
    few = len(by_note) < 7 or level is None or level.residuals is None
    for midi, group in by_note.items():
        if len(group) < 2:
            notes_flags[midi].append(Flag.TOO_FEW_STRIKES)
        if rounds is not None and midi in rounds.fewer:
            notes_flags[midi].append(Flag.FEWER_BLOWS)
        if few:
            notes_flags[midi].append(Flag.TOO_FEW_NOTES)
    notes = tuple(
        _note_result(midi, by_note[midi], fields[midi], notes_flags[midi])
        for midi in sorted(by_note)
    )
    return notes, _figures(level, brightness, tuning, draw, few=few)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Level:
    even: EvenLevels
    residuals: Residuals | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Brightness:
    even: EvenBrightness
    residuals: Residuals | None


def _strikes_by_note(
    strikes: Sequence[StrikeResult], layout: KeyboardLayout
) -> dict[int, list[StrikeResult]]:
    """Strikes of each note of the compass, in time."""
    by_note: dict[int, list[StrikeResult]] = defaultdict(list)
    for strike in sorted(strikes, key=lambda strike: strike.onset_s):
        if strike.midi in layout.compass:
            by_note[strike.midi].append(strike)
    return dict(sorted(by_note.items()))


def _pooled_fields(midi: int, group: Sequence[StrikeResult]) -> dict[str, Any]:
    """Fields of a note that need no trend."""
    cents, cents_se = pool_measured((s.cents, s.cents_se) for s in group)
    inharmonicity, inharmonicity_se = pool_measured((s.B, s.B_se) for s in group)
    f1_hz, _ = pool_measured((s.f1_hz, s.f1_hz_se) for s in group)
    return {
        "midi": midi,
        "note": note_name(midi),
        "strikes": len(group),
        "f1_hz": f1_hz,
        "cents": cents,
        "cents_se": cents_se,
        "B": inharmonicity,
        "B_se": inharmonicity_se,
        "after_t60_s": pool_median(s.after_t60_s for s in group),
        "sustain_20db_s": pool_median(s.sustain_20db_s for s in group),
        "damped_t60_s": pool_median(s.damped_t60_s for s in group),
        "ring_level_db": pool_limits((s.ring_level_db, s.ring_level_is_limit) for s in group),
        "knock_db": pool_median(s.knock_db for s in group),
        "raised": (),
    }


def _fill_place(
    fields: Mapping[int, dict[str, Any]], by_note: Mapping[int, Sequence[StrikeResult]]
) -> None:
    """Write what room and microphone add to each key into the fields of the notes."""
    for midi, group in by_note.items():
        fields[midi].update(
            level_place_db=pool_median(s.place_db for s in group),
            level_place_se=pool_median(s.place_db_se for s in group),
            brightness_place_oct=pool_median(s.place_oct for s in group),
            brightness_place_se=pool_median(s.place_oct_se for s in group),
        )


def _errors(fields: Mapping[int, Mapping[str, Any]], midi: FloatArray, name: str) -> FloatArray:
    """One field of some notes, 0 where it is not known."""
    return np.array([fields[key][name] or 0.0 for key in midi.astype(int).tolist()])


def _unclipped(group: Sequence[StrikeResult]) -> list[tuple[int, StrikeResult]]:
    """Strikes fit for level and brightness, with their place in time among the note's."""
    ranked = list(enumerate(group))
    clean = [(rank, s) for rank, s in ranked if Flag.CLIPPED not in s.flags]
    return clean or ranked


def _levels(
    by_note: dict[int, list[StrikeResult]],
) -> tuple[IntArray, FloatArray, FloatArray] | None:
    """Note, onset and level of each strike with a level; None without any."""
    rows = [
        (midi, strike.onset_s, strike.level_db - (strike.place_db or 0.0))
        for midi, group in by_note.items()
        for _, strike in _unclipped(group)
        if strike.level_db is not None
    ]
    if not rows:
        return None
    midi, onset_s, level_db = (np.array(column) for column in zip(*rows, strict=True))
    return midi, onset_s.astype(np.float64), level_db.astype(np.float64)


def _rounds(by_note: dict[int, list[StrikeResult]]) -> Rounds | None:
    """Round of each strike with a level; None when no strike has one."""
    rows = _levels(by_note)
    return None if rows is None else find_rounds(*rows)


def _even_levels(
    by_note: dict[int, list[StrikeResult]], rounds: Rounds | None, breaks: Sequence[float]
) -> EvenLevels | None:
    """Levels of the notes; None when no strike has a level."""
    rows = _levels(by_note)
    if rows is None or rounds is None:
        return None
    midi, _, level_db = rows
    return even_levels(midi, level_db, rounds.round, breaks=breaks)


def _judge_brightness(
    by_note: dict[int, list[StrikeResult]],
    levels: EvenLevels | None,
    fields: Mapping[int, Mapping[str, Any]],
    breaks: Sequence[float],
) -> _Brightness | None:
    """Brightness of the notes at the usual blow; None when no strike has level and brightness."""
    rows = [
        (
            midi,
            strike.level_db - (strike.place_db or 0.0),
            strike.brightness - (strike.place_oct or 0.0),
            strike.brightness_se or 0.0,
        )
        for midi, group in by_note.items()
        for _, strike in _unclipped(group)
        if strike.level_db is not None and strike.brightness is not None
    ]
    if levels is None or not rows:
        return None
    midi, level_db, brightness, se = (np.array(column) for column in zip(*rows, strict=True))
    even = even_brightness(levels, midi, level_db, brightness, se, breaks=breaks)
    repeated = bool(np.median(even.strikes) > 1)
    residuals = judge_residuals(
        even.midi,
        even.brightness,
        even.se,
        even.df,
        audible=AUDIBLE_BRIGHTNESS_OCT,
        # One blow per note: the spread over the notes may all be the hand's.
        ordinary_limit=ORDINARY_BRIGHTNESS_OCT if repeated else math.inf,
        breaks=breaks,
        by_hand=even.by_hand,
        place_se=_errors(fields, even.midi, "brightness_place_se"),
    )
    return _Brightness(even=even, residuals=residuals)


def _judge_level(
    levels: EvenLevels | None,
    brightness: _Brightness | None,
    fields: Mapping[int, Mapping[str, Any]],
    breaks: Sequence[float],
) -> _Level | None:
    """Residuals of the levels; None when no strike has a level."""
    if levels is None:
        return None
    residuals = judge_residuals(
        levels.midi,
        levels.level_db,
        levels.se_db,
        levels.df,
        audible=AUDIBLE_LEVEL_DB,
        ordinary_limit=math.inf,
        breaks=breaks,
        by_hand=_level_by_hand(levels, brightness),
        place_se=_errors(fields, levels.midi, "level_place_se"),
    )
    return _Level(even=levels, residuals=residuals)


def _level_by_hand(levels: EvenLevels, brightness: _Brightness | None) -> FloatArray:
    """Level of each note less what the hand may have done to a single blow.

    A soft blow is dull, a firm one bright: what the brightness does not bear out, within twice
    the scatter of the notes, was not the hand. Without a brightness the hand may have done it all.
    """
    if levels.trend is None:
        return levels.level_db
    deviation = levels.level_db - levels.trend.left_out
    by_hand = np.where(levels.strikes > 1, levels.level_db, levels.trend.left_out)
    if brightness is None or brightness.residuals is None:
        return by_hand
    even, residuals = brightness.even, brightness.residuals
    at = np.searchsorted(levels.midi, even.midi)
    sign = np.sign(deviation[at])
    # As struck, before the correction along the slope.
    struck = residuals.residual + even.slopes.slope * (
        levels.level_db[at] - even.reference_level_db
    )
    doubt = 2.0 * (core_sd(residuals.residual) or 0.0)
    slope = np.maximum(even.slopes.slope, default_slope_oct_per_db(even.midi))
    borne_out = np.clip(sign * struck + doubt, 0.0, None) / slope
    hand = sign * np.minimum(borne_out, np.abs(deviation[at]))
    single = levels.strikes[at] == 1
    by_hand[at] = np.where(single, levels.level_db[at] - hand, by_hand[at])
    return by_hand


def _fill_level(fields: dict[int, dict[str, Any]], level: _Level | None) -> None:
    """Write level, its trend and residual into the fields of the notes."""
    if level is None:
        return
    for i, midi in enumerate(level.even.midi.astype(int).tolist()):
        note = fields[midi]
        note["level_db"] = float(level.even.level_db[i])
        note["level_se"] = float(level.even.se_db[i])
        if level.residuals is not None:
            note["level_trend_db"] = float(level.residuals.trend.left_out[i])
            note["level_residual_db"] = float(level.residuals.residual[i])
            note["level_se"] = float(level.residuals.se[i])
            if level.residuals.is_raised[i]:
                loud = level.residuals.residual[i] > 0
                note["raised"] += (Raised.LOUD if loud else Raised.SOFT,)


def _fill_brightness(
    fields: dict[int, dict[str, Any]],
    notes_flags: dict[int, list[Flag]],
    brightness: _Brightness | None,
) -> None:
    """Write brightness, slope and residual into the fields of the notes."""
    if brightness is None:
        return
    even, residuals = brightness.even, brightness.residuals
    for i, midi in enumerate(even.midi.astype(int).tolist()):
        note = fields[midi]
        note["brightness"] = float(even.brightness[i])
        note["brightness_se"] = float(even.se[i])
        if even.slopes.own_share[i] > 0:
            note["brightness_slope_oct_per_db"] = float(even.slopes.slope[i])
            note["brightness_slope_se"] = float(even.slopes.se[i])
        if even.slopes.is_default[i]:
            notes_flags[midi].append(Flag.DEFAULT_BLOW_SLOPE)
        if residuals is not None:
            note["brightness_trend"] = float(residuals.trend.left_out[i])
            note["brightness_residual"] = float(residuals.residual[i])
            note["brightness_se"] = float(residuals.se[i])
            if residuals.is_raised[i]:
                bright = residuals.residual[i] > 0
                note["raised"] += (Raised.BRIGHT if bright else Raised.DULL,)


def _fill_decay(
    fields: dict[int, dict[str, Any]],
    by_note: dict[int, list[StrikeResult]],
    breaks: Sequence[float],
) -> None:
    """Pool the prompt decay as a log ratio and hold it against its trend."""
    midis, logs, errors, counts, variances = [], [], [], [], []
    for midi, group in by_note.items():
        times = [
            (math.log(s.prompt_t60_s), _ratio(s.prompt_t60_s_se, s.prompt_t60_s))
            for s in group
            if s.prompt_t60_s is not None and s.prompt_t60_s > 0
        ]
        mean, se = pool_measured(times)
        if mean is None:
            continue
        values = np.array([value for value, _ in times])
        midis.append(midi)
        logs.append(mean)
        errors.append(se or 0.0)
        counts.append(values.size)
        variances.append(float(values.var(ddof=1)) if values.size > 1 else 0.0)
        fields[midi]["prompt_t60_s"] = math.exp(mean)
    if not midis:
        return
    strikes = np.array(counts)
    moderated = moderate(
        np.array(variances), strikes - 1.0, DECAY_SCATTER_LN**2, LEAST_DECAY_SCATTER_LN**2
    )
    told = np.maximum(np.sqrt(moderated.variance / strikes), np.array(errors))
    residuals = judge_residuals(
        np.array(midis, dtype=np.float64),
        np.array(logs),
        told,
        moderated.df,
        audible=AUDIBLE_DECAY_LN,
        # Bridge and soundboard give each note a decay of its own; only strays are raised.
        ordinary_limit=math.inf,
        breaks=breaks,
    )
    for i, midi in enumerate(midis):
        fields[midi]["prompt_t60_se"] = float(told[i])
        if residuals is not None:
            fields[midi]["prompt_t60_residual"] = float(residuals.residual[i])
            fields[midi]["prompt_t60_se"] = float(residuals.se[i])
            if residuals.is_raised[i]:
                longer = residuals.residual[i] > 0
                fields[midi]["raised"] += (Raised.LONG if longer else Raised.SHORT,)


def _fill_tuning(fields: dict[int, dict[str, Any]], breaks: Sequence[float]) -> Residuals | None:
    """Residuals of the cents from the instrument's own smooth stretch."""
    known = [midi for midi, note in fields.items() if note["cents"] is not None]
    if not known:
        return None
    se = np.array([fields[midi]["cents_se"] or 0.0 for midi in known])
    residuals = judge_residuals(
        np.array(known, dtype=np.float64),
        np.array([fields[midi]["cents"] for midi in known]),
        se,
        np.full(len(known), math.inf),
        audible=math.inf,
        ordinary_limit=math.inf,
        breaks=breaks,
    )
    if residuals is not None:
        for i, midi in enumerate(known):
            fields[midi]["cents_residual"] = float(residuals.residual[i])
    return residuals


def _ratio(part: float | None, whole: float) -> float | None:
    """Relative error."""
    return None if part is None else part / whole


def _note_result(
    midi: int, group: Sequence[StrikeResult], fields: dict[str, Any], flags: Sequence[Flag]
) -> NoteResult:
    """Put one note together."""
    assert fields["midi"] == midi
    assert fields["strikes"] == len(group)
    return NoteResult(**fields, flags=tuple(dict.fromkeys(flags)))


def _figures(
    level: _Level | None,
    brightness: _Brightness | None,
    tuning: Residuals | None,
    rng: np.random.Generator,
    *,
    few: bool,
) -> Evenness:
    """Figures of the whole run."""
    flags = [Flag.TOO_FEW_NOTES] if few else []
    found: dict[str, Any] = {}
    if level is not None:
        if level.residuals is not None:
            found["level_db"] = level.residuals.own_spread
            found["level_db_se"] = bootstrap_sd_se(
                level.residuals.residual, level.residuals.se, rng=rng
            )
        if level.even.scatter_is_measured:
            found["touch_scatter_db"] = level.even.touch_scatter_db
        else:
            flags.append(Flag.TOO_FEW_STRIKES)
    if brightness is not None:
        if brightness.residuals is not None:
            found["brightness_oct"] = brightness.residuals.own_spread
            found["brightness_oct_se"] = bootstrap_sd_se(
                brightness.residuals.residual, brightness.residuals.se, rng=rng
            )
        even = brightness.even
        if np.any(even.slopes.own_share > 0):
            found["touch_scatter_oct"] = even.line_scatter_oct
        found["blow_slope_oct_per_db"] = tuple(
            (int(midi), float(slope))
            for midi, slope in zip(even.midi, even.slopes.slope, strict=True)
        )
        if np.mean(even.slopes.is_default) > 0.5:
            flags.append(Flag.DEFAULT_BLOW_SLOPE)
    if tuning is not None:
        found["tuning_cents"] = tuning.own_spread
        found["tuning_cents_se"] = bootstrap_sd_se(tuning.residual, tuning.se, rng=rng)
    return dataclasses.replace(Evenness(flags=tuple(flags)), **found)
