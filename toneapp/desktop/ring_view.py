"""What stands on the ring-on page: marks of the matrix, ranked lists, sentences.

Turns a run, or two of them, into what is drawn and listed; knows nothing of Qt.

Classes and functions: `RingView`, `RingMark`, `RingRow`, `RingSign`, `ring_view`,
`ring_change_view`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from toneapp.evenness.level_change import Trend
from toneapp.evenness.ringing_change import PairChange, RingingChange
from toneapp.evenness.ringing_matrix import NO_KEY_MIDI, ringing_matrix
from toneapp.evenness.ringing_words import (
    cell_text,
    echo_reason,
    level_change_text,
    short_change_text,
    suspect_reason,
    treble_change_text,
    treble_text,
    trend_text,
)
from toneapp.keyboard import FULL_COMPASS, Compass
from toneapp.pitch import note_name
from toneapp.results import Cause, RunResult
from toneapp.wording import cause_text, quantity_text

__all__ = [
    "RingMark",
    "RingRow",
    "RingSign",
    "RingView",
    "ring_change_view",
    "ring_view",
    "sign_text",
]

LOUDEST_DB, WEAKEST_DB = -15.0, -58.0
"""Levels between which marks grow."""

LARGEST_CHANGE_DB = 30.0


class RingSign(StrEnum):
    """Shape of a mark, so that no meaning hangs on colour."""

    OWN = "own"
    OTHER = "other"
    UNDAMPED = "undamped"
    NO_KEY = "no_key"
    LOST = "lost"
    QUIETER = "quieter"
    UNCHANGED = "unchanged"
    LOUDER = "louder"
    GAINED = "gained"
    HIDDEN = "hidden"


_CAUSE_SIGNS = {
    Cause.OWN_DAMPER: RingSign.OWN,
    Cause.OTHER_DAMPER: RingSign.OTHER,
    Cause.UNDAMPED: RingSign.UNDAMPED,
    Cause.NO_KEY: RingSign.NO_KEY,
}

_SIGN_WORDS = {
    RingSign.OWN: "own damper leaks",
    RingSign.OTHER: "another damper leaks",
    RingSign.UNDAMPED: "no damper",
    RingSign.NO_KEY: "no key's string",
    RingSign.LOST: "no longer heard",
    RingSign.QUIETER: "quieter",
    RingSign.UNCHANGED: "as before",
    RingSign.LOUDER: "louder",
    RingSign.GAINED: "new",
    RingSign.HIDDEN: "cannot be told",
}


def sign_text(sign: RingSign) -> str:
    """Explain a shape in two or three words."""
    return _SIGN_WORDS[sign]


@dataclass(frozen=True, slots=True, kw_only=True)
class RingMark:
    """One string after one key."""

    struck_midi: int
    midi: int  # of the ringing string; 0 when it belongs to no key
    sign: RingSign
    size: float  # 0 to 1
    text: str  # one sentence


@dataclass(frozen=True, slots=True, kw_only=True)
class RingRow:
    """One line of a ranked list."""

    midi: int  # the key to go to; 0 for none
    note: str
    value: str
    short: str  # a few words
    text: str
    cause: Cause | None = None
    is_counted: bool = True  # among what the heading of the list counts


@dataclass(frozen=True, slots=True, kw_only=True)
class RingView:
    """What the page shows."""

    marks: tuple[RingMark, ...]
    signs: tuple[RingSign, ...]  # those in use, for the explanation at the foot
    compass: Compass
    strings: Compass  # rows of the matrix
    has_no_key: bool  # a row of its own for sounds of no key
    last_damper_midi: int | None
    figures: tuple[str, ...]  # a line above the matrix
    treble: str  # the one figure
    dampers: tuple[RingRow, ...]
    echoes: tuple[RingRow, ...]
    changes: tuple[RingRow, ...]  # of two runs, else empty
    is_change: bool
    problem: str = ""  # why there is nothing to show
    by_key: Mapping[int, tuple[str, ...]] = field(default_factory=dict)  # sentences per struck key

    def marks_of(self, midi: int) -> tuple[RingMark, ...]:
        """Marks that a key has part in, as the struck one or as the ringing string."""
        return tuple(m for m in self.marks if midi in (m.struck_midi, m.midi))


def ring_view(run: RunResult, *, compass: Compass | None = None) -> RingView:
    """Prepare the page of one run.

    Parameters
    ----------
    run : RunResult
    compass : Compass, optional
        Keys of the instrument; that of the run without it.

    Returns
    -------
    RingView
        `problem` says why when no release was heard.
    """
    matrix = ringing_matrix(run)
    marks = tuple(
        RingMark(
            struck_midi=cell.struck_midi,
            midi=cell.midi,
            sign=_CAUSE_SIGNS[cell.cause],
            size=_size(cell.level_db),
            text=cell_text(cell),
        )
        for cell in matrix.cells
    )
    ring_on = run.ring_on
    if ring_on is None:
        return _view(
            marks,
            run,
            compass,
            None,
            problem="No strike of this run shows a release. Record a ring-on run: short, detached "
            "blows, each key let go and left to die away.",
        )
    ringing = {cell.struck_midi for cell in matrix.cells}
    figures = [
        f"something rings after {len(ringing)} of {len(matrix.struck)} keys",
        f"dampers up to {note_name(ring_on.last_damper_midi)}"
        + ("" if ring_on.last_damper_is_given else " (as heard)"),
        f"room T60 {quantity_text(ring_on.room_t60_s, 's', decimals=2)}, taken out",
    ]
    return _view(
        marks,
        run,
        compass,
        ring_on.last_damper_midi,
        figures=tuple(figures),
        treble=f"Treble echo {treble_text(ring_on)}",
        dampers=_damper_rows(run),
        echoes=_echo_rows(run),
        by_key=_sentences(marks),
    )


_NO_CHANGE = (Trend.UNCHANGED, Trend.HIDDEN)


def ring_change_view(
    before: RunResult,
    after: RunResult,
    change: RingingChange,
    *,
    compass: Compass | None = None,
) -> RingView:
    """Prepare the page of two runs held against each other.

    Parameters
    ----------
    before, after : RunResult
        In the order of the work.
    change : RingingChange
        Of the two.
    compass : Compass, optional
        Keys of the instrument.

    Returns
    -------
    RingView
    """
    marks = tuple(_change_mark(pair) for pair in change.pairs)
    lasts = [run.ring_on.last_damper_midi for run in (before, after) if run.ring_on is not None]
    counts = [
        f"{count} {trend_text(trend)}"
        for trend in (Trend.LOST, Trend.QUIETER, Trend.UNCHANGED, Trend.LOUDER, Trend.GAINED)
        if (count := sum(pair.level.trend is trend for pair in change.pairs))
    ]
    changes = tuple(
        RingRow(
            midi=item.midi,
            note=item.note,
            value=trend_text(item.level.trend),
            short=short_change_text(item.level),
            text=f"{level_change_text(item.level)}; heard after {len(item.keys_before)} keys, "
            f"now {len(item.keys_after)}",
            # What is gone wants no advice.
            cause=None if item.level.trend is Trend.LOST else _cause_of(change.pairs, item.midi),
            is_counted=item.level.trend not in _NO_CHANGE,
        )
        for item in sorted(change.strings, key=lambda s: s.level.trend in _NO_CHANGE)
    )
    return _view(
        marks,
        after,
        compass,
        min(lasts) if lasts else None,
        figures=(f"{len(change.common)} keys in both runs", *counts),
        treble=f"Treble echo {treble_change_text(change.treble)}",
        dampers=_damper_rows(after),
        echoes=_echo_rows(after),
        changes=changes,
        is_change=True,
        by_key=_sentences(marks),
        problem=""
        if change.common
        else "The two runs have no key in common after whose release something could be heard.",
    )


def _damper_rows(run: RunResult) -> tuple[RingRow, ...]:
    """Suspect dampers, most suspect first."""
    return tuple(
        RingRow(
            midi=suspect.midi,
            note=suspect.note,
            value=quantity_text(suspect.damped_t60_s, "s", decimals=2),
            short=_keys_text(len(suspect.heard_from)),
            text=suspect_reason(suspect),
            cause=Cause.OWN_DAMPER,
        )
        for suspect in (() if run.ring_on is None else run.ring_on.suspects)
    )


def _keys_text(count: int) -> str:
    if count == 0:
        return "no other key"
    return "1 key" if count == 1 else f"{count} keys"


def _echo_rows(run: RunResult) -> tuple[RingRow, ...]:
    """Echo strings, most heard first."""
    return tuple(
        RingRow(
            midi=echo.midi,
            note=echo.note,
            value=quantity_text(echo.level_db, "dB", decimals=0),
            short=_keys_text(len(echo.from_keys)),
            text=echo_reason(echo),
            cause=echo.cause,
        )
        for echo in (() if run.ring_on is None else run.ring_on.echo_strings)
    )


def _cause_of(pairs: Sequence[PairChange], midi: int) -> Cause | None:
    for pair in pairs:
        if pair.midi == midi:
            return pair.cause_after or pair.cause_before
    return None


def _change_mark(pair: PairChange) -> RingMark:
    struck = note_name(pair.struck_midi)
    string = note_name(pair.midi) if pair.midi else "no key's string"
    cause = pair.cause_after or pair.cause_before
    assert cause is not None, "a pair was heard in one run at least"
    return RingMark(
        struck_midi=pair.struck_midi,
        midi=pair.midi,
        sign=RingSign(pair.level.trend.value),
        size=min(abs(pair.level.difference_db) / LARGEST_CHANGE_DB, 1.0),
        text=f"{string} after {struck}, {trend_text(pair.level.trend)}: "
        f"{level_change_text(pair.level)}, {cause_text(cause)}",
    )


def _size(level_db: float) -> float:
    return min(max((level_db - WEAKEST_DB) / (LOUDEST_DB - WEAKEST_DB), 0.0), 1.0)


def _sentences(marks: Sequence[RingMark]) -> dict[int, tuple[str, ...]]:
    found: dict[int, list[RingMark]] = {}
    for mark in marks:
        found.setdefault(mark.struck_midi, []).append(mark)
    return {
        midi: tuple(mark.text for mark in sorted(own, key=lambda mark: -mark.size))
        for midi, own in found.items()
    }


def _view(
    marks: tuple[RingMark, ...],
    run: RunResult,
    compass: Compass | None,
    last_damper_midi: int | None,
    *,
    figures: tuple[str, ...] = (),
    treble: str = "",
    dampers: tuple[RingRow, ...] = (),
    echoes: tuple[RingRow, ...] = (),
    changes: tuple[RingRow, ...] = (),
    is_change: bool = False,
    by_key: Mapping[int, tuple[str, ...]] | None = None,
    problem: str = "",
) -> RingView:
    whole = _whole_compass(run, compass)
    rows = [mark.midi for mark in marks if mark.midi != NO_KEY_MIDI]
    lowest = max(min(rows, default=whole.lowest_midi) - 1, whole.lowest_midi)
    highest = min(max(rows, default=whole.highest_midi) + 1, whole.highest_midi)
    return RingView(
        marks=marks,
        signs=tuple(sign for sign in RingSign if any(mark.sign is sign for mark in marks)),
        compass=whole,
        strings=Compass(lowest_midi=lowest, highest_midi=highest),
        has_no_key=any(mark.midi == NO_KEY_MIDI for mark in marks),
        last_damper_midi=last_damper_midi,
        figures=figures,
        treble=treble,
        dampers=dampers,
        echoes=echoes,
        changes=changes,
        is_change=is_change,
        by_key=by_key or {},
        problem=problem,
    )


def _whole_compass(run: RunResult, compass: Compass | None) -> Compass:
    """Compass wide enough for every note of the run and every string that rings."""
    if compass is None:
        try:
            compass = Compass.parse(run.compass)
        except ValueError:
            compass = FULL_COMPASS
    midis = [strike.midi for strike in run.strikes]
    midis += [echo.midi for strike in run.strikes for echo in strike.ringing if echo.midi]
    return Compass(
        lowest_midi=min([compass.lowest_midi, *midis]),
        highest_midi=max([compass.highest_midi, *midis]),
    )
