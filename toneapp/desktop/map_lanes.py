"""Which lanes can stand above the keyboard, and what is each of them?

The lanes of `toneapp.desktop.lanes` and more: sustain, what rings on, and what was weighed and
measured by hand. Knows nothing of Qt.

Classes and functions: `LaneKind`, `LANE_KINDS`, `MapLane`, `map_lanes`, `value_text`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from toneapp.desktop.lanes import Lane, LanePoint, run_lanes
from toneapp.evenness import NoteEstimates, estimate_notes, fit_trend
from toneapp.keyboard import KeyboardLayout
from toneapp.library import HandSet, KeyMeasurement
from toneapp.results import Flag, RunResult, StrikeResult
from toneapp.wording import COVERAGE, quantity_text

__all__ = ["LANE_KINDS", "LaneKind", "MapLane", "map_lanes", "value_text"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneKind:
    """What is the same for one lane in all runs."""

    key: str  # for settings and code
    name: str
    unit: str  # behind a value
    decimals: int
    sentence: str  # one plain sentence: what it is
    measure: str = ""  # its name in a comparison of two runs
    reasons: tuple[Flag, ...] = ()  # why a value may be missing
    is_shown: bool = True  # unless a person says otherwise
    is_by_hand: bool = False


_NO_SERIES = (Flag.NO_PITCH, Flag.NOTE_UNCERTAIN)
_NO_DECAY = (Flag.NO_PITCH, Flag.HOLD_TOO_SHORT, Flag.NOISE_HIDES_DECAY, Flag.CUT_SHORT)
_NO_RING = (Flag.NO_RELEASE, Flag.RELEASE_ASSUMED, Flag.CUT_SHORT, Flag.NOISE_HIDES_RING)

LANE_KINDS = MappingProxyType(
    {
        kind.key: kind
        for kind in (
            LaneKind(
                key="level", name="Level", unit="dB", decimals=1, measure="level",
                sentence="How loud the note speaks at an even blow: A-weighted energy of its "
                "first half second, in decibels.",
                reasons=(Flag.CLIPPED, Flag.QUIET, Flag.CUT_SHORT),
            ),
            LaneKind(
                key="brightness", name="Brightness", unit="oct", decimals=2, measure="brightness",
                sentence="How far the middle of the attack's sound lies above the fundamental, "
                "in octaves, with the strength of the blow taken out.",
                reasons=(*_NO_SERIES, Flag.NO_ATTACK_WINDOW, Flag.RATE_LIMITS_BAND),
            ),
            LaneKind(
                key="prompt_decay", name="Prompt decay", unit="s", decimals=1,
                measure="prompt decay",
                sentence="Seconds the prompt sound would take to fall by 60 decibels.",
                reasons=_NO_DECAY,
            ),
            LaneKind(
                key="sustain", name="Sustain", unit="s", decimals=2, measure="sustain",
                sentence="Seconds from the blow until the level has fallen by 20 decibels.",
                reasons=_NO_DECAY, is_shown=False,
            ),
            LaneKind(
                key="ring_on", name="Ring-on", unit="dB", decimals=1, measure="ring-on level",
                sentence="What still sounds half a second after the release, in decibels "
                "relative to just before it; lower is quieter.",
                reasons=_NO_RING,
            ),
            LaneKind(
                key="pitch", name="Pitch", unit="cents", decimals=1, measure="pitch",
                sentence="Distance of the fundamental from equal temperament, in cents "
                "(hundredths of a semitone).",
                reasons=_NO_SERIES,
            ),
            LaneKind(
                key="inharmonicity", name="Inharmonicity", unit="", decimals=6,
                sentence="How far the stiffness of the string spreads its partials; "
                "the coefficient B, without unit.",
                reasons=(*_NO_SERIES, Flag.FEW_PARTIALS), is_shown=False,
            ),
            LaneKind(
                key="down_weight", name="Down weight", unit="g", decimals=1, is_by_hand=True,
                sentence="Grams that just let the key go down.", is_shown=False,
            ),
            LaneKind(
                key="up_weight", name="Up weight", unit="g", decimals=1, is_by_hand=True,
                sentence="Grams that the key just lifts.", is_shown=False,
            ),
            LaneKind(
                key="friction", name="Friction", unit="g", decimals=1, is_by_hand=True,
                sentence="Half the difference of down weight and up weight, in grams.",
                is_shown=False,
            ),
            LaneKind(
                key="balance_weight", name="Balance weight", unit="g", decimals=1,
                is_by_hand=True, is_shown=False,
                sentence="Mean of down weight and up weight, in grams.",
            ),
            LaneKind(
                key="key_dip", name="Key dip", unit="mm", decimals=1, is_by_hand=True,
                sentence="How deep the front of the key goes down, in millimetres.",
                is_shown=False,
            ),
        )
    }
)  # fmt: skip
"""All lanes in their first order, by key."""

_FROM_RUN = ("level", "brightness", "prompt_decay", "pitch", "inharmonicity")
_BY_HAND: Mapping[str, Callable[[KeyMeasurement], float | None]] = {
    "down_weight": lambda key: key.down_weight_g,
    "up_weight": lambda key: key.up_weight_g,
    "friction": lambda key: key.friction_g,
    "balance_weight": lambda key: key.balance_weight_g,
    "key_dip": lambda key: key.key_dip_mm,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class MapLane:
    """One lane of the map."""

    kind: LaneKind
    lane: Lane
    limits: frozenset[int] = frozenset()  # keys whose true value lies below the one shown


def map_lanes(
    run: RunResult, *, layout: KeyboardLayout, hand_set: HandSet | None = None
) -> dict[str, MapLane]:
    """Prepare all lanes of a run.

    Parameters
    ----------
    run : RunResult
    layout : KeyboardLayout
        Breaks of the instrument, where a trend may step.
    hand_set : HandSet or None
        What was measured by hand, if anything was.

    Returns
    -------
    dict of str to MapLane
        By the key of their kind, in the order of `LANE_KINDS`. A lane without points is there
        too: it says that nothing was measured.
    """
    lanes = dict(zip(_FROM_RUN, run_lanes(run), strict=True))
    lanes["inharmonicity"] = _with_log_trend(lanes["inharmonicity"], layout)
    lanes["sustain"] = _with_log_trend(_sustain_lane(run), layout)
    lanes["ring_on"], limits = _ring_on_lane(run, layout)
    for key, value_of in _BY_HAND.items():
        lanes[key] = _hand_lane(LANE_KINDS[key], hand_set, value_of)
    return {
        key: MapLane(
            kind=kind,
            lane=lanes[key],
            limits=limits if key == "ring_on" else frozenset(),
        )
        for key, kind in LANE_KINDS.items()
    }


def value_text(lane: MapLane, point: LanePoint) -> str:
    """Say the value of a key in a lane with its uncertainty and unit.

    Parameters
    ----------
    lane : MapLane
    point : LanePoint
        One of its points.

    Returns
    -------
    str
        Such as "2.31 ± 0.06 oct" or "less than −52 dB".
    """
    se = None
    if point.high is not None and point.high > point.value:
        se = (point.high - point.value) / COVERAGE
        if lane.lane.is_logarithmic:
            se = point.value * math.log(point.high / point.value) / COVERAGE
    text = quantity_text(
        point.value,
        lane.kind.unit,
        se=se,
        decimals=lane.kind.decimals,
        is_signed=lane.kind.key == "pitch",
    )
    return f"less than {text}" if point.midi in lane.limits else text


def _estimates(
    run: RunResult, value_of: Callable[[StrikeResult], float | None]
) -> NoteEstimates | None:
    """Error of each note from the scatter of its blows."""
    values: dict[int, list[float]] = {}
    for strike in run.strikes:
        value = value_of(strike)
        if value is not None:
            values.setdefault(strike.midi, []).append(value)
    return estimate_notes(values) if values else None


def _errors(estimates: NoteEstimates | None) -> dict[int, float]:
    if estimates is None:
        return {}
    return dict(zip(estimates.midi.tolist(), estimates.se.tolist(), strict=True))


def _sustain_lane(run: RunResult) -> Lane:
    errors = _errors(
        _estimates(run, lambda s: math.log(s.sustain_20db_s) if s.sustain_20db_s else None)
    )
    points = []
    for note in sorted(run.notes, key=lambda item: item.midi):
        value = note.sustain_20db_s
        if value is None or not value > 0:
            continue
        spread = math.exp(COVERAGE * errors[note.midi]) if note.midi in errors else None
        points.append(
            LanePoint(
                midi=note.midi,
                value=value,
                low=None if spread is None else value / spread,
                high=None if spread is None else value * spread,
            )
        )
    return Lane(
        title="Sustain", unit="s until 20 dB down", is_logarithmic=True, points=tuple(points)
    )


def _ring_on_lane(run: RunResult, layout: KeyboardLayout) -> tuple[Lane, frozenset[int]]:
    errors = _errors(_estimates(run, lambda s: None if s.ring_level_is_limit else s.ring_level_db))
    is_heard = {
        strike.midi
        for strike in run.strikes
        if strike.ring_level_db is not None and not strike.ring_level_is_limit
    }
    points, limits = [], set()
    for note in sorted(run.notes, key=lambda item: item.midi):
        value = note.ring_level_db
        if value is None:
            continue
        se = errors.get(note.midi)
        if note.midi not in is_heard:
            limits.add(note.midi)
            se = None
        points.append(
            LanePoint(
                midi=note.midi,
                value=value,
                low=None if se is None else value - COVERAGE * se,
                high=None if se is None else value + COVERAGE * se,
            )
        )
    lane = Lane(
        title="Ring-on",
        unit="dB, 0.5 s after the release against before it",
        is_logarithmic=False,
        points=tuple(points),
    )
    return _with_heard_trend(lane, limits, layout), frozenset(limits)


def _with_heard_trend(lane: Lane, limits: set[int], layout: KeyboardLayout) -> Lane:
    """Add the trend of what is heard; limits say only what it lies below, so they bend nothing."""
    heard = [point for point in lane.points if point.midi not in limits]
    midi = np.array([point.midi for point in heard], dtype=np.float64)
    values = np.array([point.value for point in heard], dtype=np.float64)
    trend = fit_trend(midi, values, breaks=layout.breaks()) if midi.size else None
    if trend is None:
        return lane
    level_db = dict(zip(midi.astype(int).tolist(), trend.fitted.tolist(), strict=True))
    points = tuple(replace(point, trend=level_db.get(point.midi)) for point in lane.points)
    return replace(lane, points=points)


def _hand_lane(
    kind: LaneKind,
    hand_set: HandSet | None,
    value_of: Callable[[KeyMeasurement], float | None],
) -> Lane:
    keys = () if hand_set is None else hand_set.keys
    points = tuple(
        LanePoint(midi=key.midi, value=value)
        for key in sorted(keys, key=lambda item: item.midi)
        if (value := value_of(key)) is not None
    )
    when = "" if hand_set is None else (hand_set.title or hand_set.measured_at[:10])
    return Lane(
        title=kind.name, unit=f"{kind.unit}, by hand", is_logarithmic=False, points=points,
        note=when,
    )  # fmt: skip


def _with_log_trend(lane: Lane, layout: KeyboardLayout) -> Lane:
    """Add the trend of the logarithm, where there are notes enough for one."""
    midi = np.array([point.midi for point in lane.points], dtype=np.float64)
    values = np.log([point.value for point in lane.points])
    trend = fit_trend(midi, values, breaks=layout.breaks()) if midi.size else None
    if trend is None:
        return lane
    points = tuple(
        replace(point, trend=math.exp(level))
        for point, level in zip(lane.points, trend.fitted.tolist(), strict=True)
    )
    return replace(lane, points=points)
