"""How even is the run, and which of its notes leave the instrument's own trend?

`judge_evenness` takes the strikes of one run and returns one value per note for every measure,
the residuals from the trend, the notes that are raised, and the figures of the whole run.
"""

from __future__ import annotations

import dataclasses
import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from toneapp.evenness.judged_blows import (
    JudgedBrightness,
    JudgedLevel,
    find_run_rounds,
    judge_brightness,
    judge_level,
    levels_of_notes,
)
from toneapp.evenness.judged_decay import JudgedDecay, judge_decay
from toneapp.evenness.outliers import Residuals, judge_residuals
from toneapp.evenness.pooling import common_flags, pool_limits, pool_measured, pool_median
from toneapp.evenness.spread import bootstrap_sd_se
from toneapp.keyboard import KeyboardLayout
from toneapp.pitch import note_name
from toneapp.results import Evenness, Flag, NoteResult, Raised, StrikeResult

__all__ = ["judge_evenness"]

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
    rounds = find_run_rounds(by_note)
    levels = levels_of_notes(by_note, rounds, breaks=breaks)
    brightness = judge_brightness(
        by_note, levels, breaks=breaks, place_se_oct=_field(fields, "brightness_place_se")
    )
    level = judge_level(
        levels, brightness, breaks=breaks, place_se_db=_field(fields, "level_place_se")
    )
    _fill_level(fields, level)
    _fill_brightness(fields, notes_flags, brightness)
    _fill_decay(fields, judge_decay(by_note, breaks=breaks))
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
        # What the room leaves in doubt is common to the strikes: more of them do not lessen it.
        "damped_t60_s_se": pool_median(s.damped_t60_s_se for s in group),
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


def _field(fields: Mapping[int, Mapping[str, Any]], name: str) -> dict[int, float | None]:
    """One field of each note."""
    return {midi: note[name] for midi, note in fields.items()}


def _fill_level(fields: dict[int, dict[str, Any]], level: JudgedLevel | None) -> None:
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
    brightness: JudgedBrightness | None,
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


def _fill_decay(fields: dict[int, dict[str, Any]], decay: JudgedDecay | None) -> None:
    """Write the prompt decay and its residual into the fields of the notes."""
    if decay is None:
        return
    residuals = decay.residuals
    for i, midi in enumerate(decay.midi):
        note = fields[midi]
        note["prompt_t60_s"] = float(decay.prompt_t60_s[i])
        note["prompt_t60_se"] = float(decay.se_ln[i])
        if residuals is not None:
            note["prompt_t60_residual"] = float(residuals.residual[i])
            note["prompt_t60_se"] = float(residuals.se[i])
            if residuals.is_raised[i]:
                longer = residuals.residual[i] > 0
                note["raised"] += (Raised.LONG if longer else Raised.SHORT,)


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


def _note_result(
    midi: int, group: Sequence[StrikeResult], fields: dict[str, Any], flags: Sequence[Flag]
) -> NoteResult:
    """Put one note together."""
    assert fields["midi"] == midi
    assert fields["strikes"] == len(group)
    return NoteResult(**fields, flags=tuple(dict.fromkeys(flags)))


def _figures(
    level: JudgedLevel | None,
    brightness: JudgedBrightness | None,
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
