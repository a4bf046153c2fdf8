"""What does the map of a run show, and what does it say about one key?

View data without Qt: the lanes of a run, the same lanes of another run of the instrument laid
over them, and the sentences for a key. What changed comes from the comparison of the library, so
that the map, the comparison and the sheet say the same.

Classes and functions: `EvennessView`, `OtherPoint`, `KeyLine`, `evenness_view`, `key_lines`,
`visible_compass`, `run_figures`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from toneapp.desktop.lanes import LanePoint
from toneapp.desktop.map_lanes import LaneKind, MapLane, map_lanes, value_text
from toneapp.keyboard import FULL_COMPASS, Compass
from toneapp.library import BeforeAfter, HandSet, MeasureChange, RunOfInstrument
from toneapp.pitch import note_name
from toneapp.results import NoteResult, Raised, RunResult
from toneapp.wording import (
    LN_RATIO,
    NOT_MEASURED,
    duration_text,
    flag_text,
    percent_change,
    quantity_text,
    raised_reason,
    raised_text,
)

__all__ = [
    "ZOOM_OCTAVES",
    "EvennessView",
    "KeyLine",
    "OtherPoint",
    "evenness_view",
    "key_lines",
    "nearest_hand_set",
    "run_figures",
    "visible_compass",
]

ZOOM_OCTAVES = (None, 4, 2, 1)
"""Steps of the zoom, from the whole keyboard on."""

_BROUGHT = {
    "level": "drawn at equal level over all",
    "brightness": "drawn at an equal blow",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherPoint:
    """One key of the other run in one lane."""

    midi: int
    value: float  # drawn beside the run's own, comparable with it
    text: str  # its value in words, and what was done to it
    change_text: str = ""  # from the earlier run to the later one
    is_changed: bool = False  # beyond scatter, and audible


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyLine:
    """What one lane says about one key."""

    lane_key: str
    name: str
    value: str
    trend: str = ""
    other: str = ""
    change: str = ""
    is_raised: bool = False
    is_changed: bool = False

    def text(self) -> str:
        """All of it in one line."""
        parts = [f"{self.name} {self.value}", self.trend, self.other, self.change]
        return " · ".join(part for part in parts if part)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EvennessView:
    """The map of one run, with another run laid over it if there is one."""

    title: str
    compass: Compass
    lanes: Mapping[str, MapLane]
    notes: Mapping[int, NoteResult]
    other_name: str = ""  # of the run laid over it, such as "before refacing"
    is_other_earlier: bool = True
    others: Mapping[str, Mapping[int, OtherPoint]] = field(default_factory=dict)  # by lane, key
    warnings: tuple[str, ...] = ()

    def raised(self) -> tuple[int, ...]:
        """Keys that leave the trend, upward."""
        return tuple(sorted(midi for midi, note in self.notes.items() if note.raised))

    def measured_lanes(self) -> tuple[str, ...]:
        """Keys of the lanes that hold a value, in their first order."""
        return tuple(key for key, lane in self.lanes.items() if lane.lane.points)


def evenness_view(
    item: RunOfInstrument,
    *,
    hand_sets: Sequence[HandSet] = (),
    comparison: BeforeAfter | None = None,
) -> EvennessView:
    """Prepare the map of a run.

    Parameters
    ----------
    item : RunOfInstrument
        The run.
    hand_sets : sequence of HandSet
        What was measured by hand at the instrument; the sitting nearest in time to the run
        counts.
    comparison : BeforeAfter or None
        The run and another one of the same instrument, in the order of the work.

    Returns
    -------
    EvennessView

    Raises
    ------
    ValueError
        If the comparison is about other runs.
    """
    layout = item.instrument.layout()
    hand_set = nearest_hand_set(hand_sets, item.run.recorded_at)
    lanes = map_lanes(item.result, layout=layout, hand_set=hand_set)
    common = {
        "title": item.title,
        "compass": _widened(item.instrument.compass, item.result),
        "lanes": lanes,
        "notes": {note.midi: note for note in item.result.notes},
    }
    if comparison is None:
        return EvennessView(**common)  # type: ignore[arg-type]  # as named above
    ids = (comparison.before.run.id, comparison.after.run.id)
    if item.run.id not in ids:
        raise ValueError(f"the comparison is about runs {ids}, not {item.run.id}")
    is_earlier = comparison.after.run.id == item.run.id
    other = comparison.before if is_earlier else comparison.after
    other_set = nearest_hand_set(hand_sets, other.run.recorded_at)
    is_other_set = other_set is not None and hand_set is not None and other_set.id != hand_set.id
    other_lanes = map_lanes(
        other.result, layout=layout, hand_set=other_set if is_other_set else None
    )
    measures = {change.measure: change for change in comparison.measures}
    others = {
        key: _other_points(
            lane, other_lanes[key], measures.get(lane.kind.measure), is_earlier=is_earlier
        )
        for key, lane in lanes.items()
    }
    return EvennessView(
        **common,  # type: ignore[arg-type]  # as named above
        other_name=other.run.condition or other.run.recorded_at[:10],
        is_other_earlier=is_earlier,
        others={key: points for key, points in others.items() if points},
        warnings=comparison.warnings,
    )


def key_lines(view: EvennessView, midi: int, lane_keys: Sequence[str]) -> tuple[KeyLine, ...]:
    """Say what the lanes show at one key.

    Parameters
    ----------
    view : EvennessView
    midi : int
        The key.
    lane_keys : sequence of str
        Lanes to speak of.

    Returns
    -------
    tuple of KeyLine
        One a lane; what was not measured is said with its reason, where one is known.
    """
    note = view.notes.get(midi)
    return tuple(_key_line(view, view.lanes[key], note, midi) for key in lane_keys)


def visible_compass(compass: Compass, *, octaves: int | None, around: int) -> Compass:
    """Keys to show at a step of the zoom.

    Parameters
    ----------
    compass : Compass
        The whole keyboard.
    octaves : int or None
        How many to show; None for all.
    around : int
        The key that stands in the middle, as far as the ends allow.

    Returns
    -------
    Compass

    Examples
    --------
    >>> str(visible_compass(Compass.parse("A0-C8"), octaves=1, around=60))
    'F#3-F#4'
    """
    if octaves is None or 12 * octaves + 1 >= len(compass):
        return compass
    width = 12 * octaves
    low = min(max(around - width // 2, compass.lowest_midi), compass.highest_midi - width)
    return Compass(lowest_midi=low, highest_midi=low + width)


def run_figures(result: RunResult) -> tuple[str, ...]:
    """Say a run in a few figures: keys, blows, length, evenness, notes raised."""
    if not result.notes:
        return ("no strike was found that could be measured",)
    raised = sum(bool(note.raised) for note in result.notes)
    even = result.evenness
    figures = [
        f"{len(result.notes)} keys",
        f"{len(result.strikes)} strikes in {duration_text(result.duration_s)}",
        f"{raised} {'note' if raised == 1 else 'notes'} raised",
    ]
    if even.level_db is not None:
        size = quantity_text(even.level_db, "dB", se=even.level_db_se, decimals=2)
        figures.append(f"level uneven by {size}")
    if even.brightness_oct is not None:
        size = quantity_text(even.brightness_oct, "oct", se=even.brightness_oct_se, decimals=3)
        figures.append(f"brightness uneven by {size}")
    if result.a4_measured_hz is not None:
        figures.append(f"A4 at {quantity_text(result.a4_measured_hz, 'Hz', decimals=2)}")
    return tuple(figures)


def nearest_hand_set(hand_sets: Sequence[HandSet], recorded_at: str) -> HandSet | None:
    """Sitting of hand measurements nearest in time to a run; None when there is none."""
    moment = _day_number(recorded_at)
    return min(
        hand_sets,
        key=lambda item: abs(_day_number(item.measured_at) - moment),
        default=None,
    )


def _day_number(text: str) -> float:
    from datetime import datetime

    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        return 0.0
    return when.toordinal() + when.hour / 24.0 + when.minute / 1440.0


def _widened(compass: Compass, result: RunResult) -> Compass:
    """Compass with every key that was struck, also one the facts leave out."""
    midis = [note.midi for note in result.notes]
    try:
        return Compass(
            lowest_midi=min([compass.lowest_midi, *midis]),
            highest_midi=max([compass.highest_midi, *midis]),
        )
    except ValueError:
        return FULL_COMPASS


def _other_points(
    lane: MapLane, other: MapLane, change: MeasureChange | None, *, is_earlier: bool
) -> dict[int, OtherPoint]:
    """Points of the other run, beside which the run's own stand."""
    rows = _change_rows(change)
    own = {point.midi: point for point in lane.lane.points}
    brought = _BROUGHT.get(lane.kind.key)
    found = {}
    for point in other.lane.points:
        text = value_text(other, point)
        row = rows.get(point.midi)
        if row is None:
            found[point.midi] = OtherPoint(midi=point.midi, value=point.value, text=text)
            continue
        difference, se, is_changed = row
        value = point.value
        if brought is not None and point.midi in own:
            # Differences are after minus before; the other run is drawn where it would lie.
            value = own[point.midi].value - (difference if is_earlier else -difference)
            text = f"{text}, {brought}"
        found[point.midi] = OtherPoint(
            midi=point.midi,
            value=value,
            text=text,
            change_text=_change_text(lane.kind, change, difference, se, is_changed=is_changed),
            is_changed=is_changed,
        )
    return found


def _change_rows(change: MeasureChange | None) -> dict[int, tuple[float, float, bool]]:
    if change is None or change.changes is None:
        return {}
    table = change.changes
    return {
        int(midi): (float(difference), float(se), bool(is_changed))
        for midi, difference, se, is_changed in zip(
            table.midi, table.difference, table.se, table.is_changed, strict=True
        )
    }


def _change_text(
    kind: LaneKind,
    change: MeasureChange | None,
    difference: float,
    se: float,
    *,
    is_changed: bool,
) -> str:
    if change is not None and change.unit == LN_RATIO:
        percent = percent_change(difference)
        size = quantity_text(percent, "%", se=(100.0 + percent) * se, decimals=0, is_signed=True)
    else:
        size = quantity_text(difference, kind.unit, se=se, decimals=kind.decimals, is_signed=True)
    return f"change {size}, {'beyond' if is_changed else 'within'} scatter"


def _key_line(view: EvennessView, lane: MapLane, note: NoteResult | None, midi: int) -> KeyLine:
    kind = lane.kind
    point = next((item for item in lane.lane.points if item.midi == midi), None)
    other = view.others.get(kind.key, {}).get(midi)
    raised = _raised_here(kind, note)
    word = "before" if view.is_other_earlier else "after"
    return KeyLine(
        lane_key=kind.key,
        name=kind.name,
        value=_missing_text(kind, note) if point is None else value_text(lane, point),
        trend=_trend_text(lane, point, note, raised),
        other=f"{word} {other.text}" if other is not None else "",
        change=other.change_text if other is not None else "",
        is_raised=bool(raised),
        is_changed=other is not None and other.is_changed,
    )


_WAYS: Mapping[str, tuple[Raised, ...]] = {
    "level": (Raised.LOUD, Raised.SOFT),
    "brightness": (Raised.BRIGHT, Raised.DULL),
    "prompt_decay": (Raised.SHORT, Raised.LONG),
}


def _raised_here(kind: LaneKind, note: NoteResult | None) -> tuple[Raised, ...]:
    if note is None:
        return ()
    return tuple(way for way in note.raised if way in _WAYS.get(kind.key, ()))


def _trend_text(
    lane: MapLane, point: LanePoint | None, note: NoteResult | None, raised: Sequence[Raised]
) -> str:
    if point is None or note is None:
        return ""
    if raised:
        return "; ".join(f"{raised_text(way)}: {raised_reason(note, way)}" for way in raised)
    if point.trend is None:
        return ""
    size = quantity_text(
        point.trend,
        lane.kind.unit,
        decimals=lane.kind.decimals,
        is_signed=lane.kind.key == "pitch",
    )
    return f"trend {size}"


def _missing_text(kind: LaneKind, note: NoteResult | None) -> str:
    if kind.is_by_hand:
        return NOT_MEASURED
    if note is None:
        return f"{NOT_MEASURED}: the key was not struck in this run"
    reasons = [flag_text(flag) for flag in note.flags if flag in kind.reasons]
    return f"{NOT_MEASURED}: {'; '.join(reasons)}" if reasons else NOT_MEASURED


def key_title(view: EvennessView, midi: int) -> str:
    """Name a key and how often it was struck."""
    note = view.notes.get(midi)
    if note is None:
        return note_name(midi)
    return f"{note.note}, {note.strikes} {'strike' if note.strikes == 1 else 'strikes'}"
