"""What can a sheet be made of, and what is still missing for it?

Knows no widget and no file.

Classes and functions: `SheetKind`, `RunChoice`, `InstrumentChoice`, `Choices`, `Wish`,
`read_choices`, `first_wish`, `wish_of_runs`, `missing_text`, `file_stem`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from toneapp.library import Library, Purpose
from toneapp.sheets.typed import clean_text, isolated, shortened

__all__ = [
    "FEWEST",
    "MOST",
    "Choices",
    "InstrumentChoice",
    "RunChoice",
    "SheetKind",
    "Wish",
    "file_stem",
    "first_wish",
    "missing_text",
    "read_choices",
    "wish_of_runs",
]

FEWEST, MOST = 2, 6
"""Runs on a comparison."""

_LONGEST_STEM = 80
_NOT_IN_FILE_NAMES = '<>:"/\\|?*'


class SheetKind(StrEnum):
    """Which sheet."""

    COMPARISON = "comparison"
    CHANGE = "change"
    WORKLIST = "worklist"
    WORKSHEET = "worksheet"

    @property
    def words(self) -> str:
        """Its name on the screen."""
        return _WORDS[self]

    @property
    def has_sound(self) -> bool:
        """Whether runs can be listened to on it."""
        return self in (SheetKind.COMPARISON, SheetKind.CHANGE)


_WORDS = {
    SheetKind.COMPARISON: "Comparison",
    SheetKind.CHANGE: "Before and after",
    SheetKind.WORKLIST: "Worklist",
    SheetKind.WORKSHEET: "Worksheet",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class RunChoice:
    """A run that can stand on a sheet once it is measured."""

    run_id: int
    instrument_id: int
    instrument: str
    condition: str
    recorded_at: str
    purpose: Purpose
    is_measured: bool

    @property
    def words(self) -> str:
        """Condition and day."""
        return f"{isolated(self.condition or self.purpose.value)}, {self.recorded_at[:10]}"

    @property
    def title(self) -> str:
        """Instrument, condition and day."""
        return f"{isolated(self.instrument)}: {self.words}"


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentChoice:
    """An instrument that has a worksheet."""

    instrument_id: int
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Choices:
    """What the library holds, by instrument and then by time."""

    runs: tuple[RunChoice, ...] = ()
    instruments: tuple[InstrumentChoice, ...] = ()

    @property
    def measured(self) -> tuple[RunChoice, ...]:
        """Runs that can stand on a sheet."""
        return tuple(run for run in self.runs if run.is_measured)

    def run(self, run_id: int) -> RunChoice | None:
        """Run by its number."""
        return next((run for run in self.runs if run.run_id == run_id), None)

    def of_instrument(self, instrument_id: int) -> tuple[RunChoice, ...]:
        """Measured runs of one instrument."""
        return tuple(run for run in self.measured if run.instrument_id == instrument_id)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """Which sheet the person wants, of what; 0 is nothing chosen."""

    kind: SheetKind = SheetKind.COMPARISON
    run_ids: tuple[int, ...] = ()  # of a comparison, in the order of their letters
    before_id: int = 0
    after_id: int = 0
    run_id: int = 0  # of a worklist
    instrument_id: int = 0  # of a worksheet


def read_choices(library: Library) -> Choices:
    """Read what sheets can be made of."""
    runs = library.runs.all()
    measured = library.measuring.figures([run.id for run in runs])
    instruments = library.instruments.all()
    names = {item.id: item.name for item in instruments}
    found = [
        RunChoice(
            run_id=run.id,
            instrument_id=run.instrument_id,
            instrument=clean_text(names[run.instrument_id]),
            condition=clean_text(run.condition),
            recorded_at=run.recorded_at,
            purpose=run.purpose,
            is_measured=run.id in measured,
        )
        for run in runs
        if run.instrument_id in names
    ]
    return Choices(
        runs=tuple(sorted(found, key=lambda r: (r.instrument_id, r.recorded_at, r.run_id))),
        instruments=tuple(
            InstrumentChoice(instrument_id=item.id, name=clean_text(item.name))
            for item in instruments
        ),
    )


def first_wish(
    choices: Choices, *, run_id: int = 0, beside_id: int = 0, instrument_id: int = 0
) -> Wish:
    """Say what is likely wanted, from what the window looks at.

    Parameters
    ----------
    choices : Choices
    run_id, beside_id : int
        The run that is looked at, and the one beside it.
    instrument_id : int
        The instrument that is looked at.

    Returns
    -------
    Wish
        Two runs of one instrument make before and after; else the latest runs of several
        instruments a comparison; else one run a worklist.
    """
    own = choices.run(run_id)
    if own is not None and not own.is_measured:
        own = None
    measured = choices.measured
    latest = max(measured, key=lambda run: (run.recorded_at, run.run_id), default=None)
    at_hand = own or latest
    wish = Wish(
        run_id=at_hand.run_id if at_hand else 0,
        instrument_id=instrument_id
        or (at_hand.instrument_id if at_hand else 0)
        or (choices.instruments[0].instrument_id if choices.instruments else 0),
        run_ids=_one_of_each(measured, at_hand),
    )
    pair = _pair(choices, at_hand, beside_id)
    if pair:
        wish = replace(wish, before_id=pair[0], after_id=pair[1])
    if pair and (beside_id or len(wish.run_ids) < FEWEST):
        return replace(wish, kind=SheetKind.CHANGE)
    if len(wish.run_ids) >= FEWEST:
        return wish
    return replace(wish, kind=SheetKind.WORKLIST if at_hand else SheetKind.WORKSHEET)


def wish_of_runs(wish: Wish, choices: Choices, run_ids: Sequence[int]) -> Wish:
    """Say which sheet shows certain runs.

    Parameters
    ----------
    wish : Wish
        Holds what the other kinds of sheet are to be made of.
    choices : Choices
    run_ids : sequence of int
        The runs in their order, two or more.

    Returns
    -------
    Wish
        Before and after for two runs of one instrument, else a comparison.
    """
    owners = {run.instrument_id for run in map(choices.run, run_ids) if run is not None}
    wish = replace(wish, kind=SheetKind.COMPARISON, run_ids=tuple(run_ids)[:MOST])
    if len(run_ids) == FEWEST and len(owners) == 1:
        return replace(wish, kind=SheetKind.CHANGE, before_id=run_ids[0], after_id=run_ids[1])
    return wish


def _pair(choices: Choices, at_hand: RunChoice | None, beside_id: int) -> tuple[int, int] | None:
    """Two runs of one instrument, the earlier one first."""
    if at_hand is None:
        return None
    own = choices.of_instrument(at_hand.instrument_id)
    others = [run for run in own if run is not at_hand]
    if not others:
        return None
    other = next((run for run in others if run.run_id == beside_id), None)
    if other is None:
        alike = [run for run in others if run.purpose is at_hand.purpose] or others
        earlier = [run for run in alike if run.recorded_at <= at_hand.recorded_at]
        other = earlier[-1] if earlier else alike[0]
    first, second = sorted((at_hand, other), key=lambda run: (run.recorded_at, run.run_id))
    return first.run_id, second.run_id


def _one_of_each(measured: Sequence[RunChoice], at_hand: RunChoice | None) -> tuple[int, ...]:
    """Latest run of each instrument for the purpose of the one at hand."""
    if at_hand is None:
        return ()
    latest: dict[int, RunChoice] = {}
    for run in measured:
        if run.purpose is at_hand.purpose:
            latest[run.instrument_id] = run
    latest[at_hand.instrument_id] = at_hand
    return tuple(run.run_id for run in latest.values())[:MOST]


def missing_text(wish: Wish, choices: Choices) -> str:
    """Say what is still missing for a sheet; empty when it can be made."""
    if wish.kind is SheetKind.WORKSHEET:
        return "" if wish.instrument_id else "Choose an instrument."
    if not choices.measured:
        return (
            "No run is measured yet. Measure one from the page of its instrument; only the "
            "worksheet can be made without."
        )
    if wish.kind is SheetKind.WORKLIST:
        return _missing_in((wish.run_id,), choices) if wish.run_id else "Choose a run."
    if wish.kind is SheetKind.CHANGE:
        return _missing_for_change(wish, choices)
    if len(choices.measured) < FEWEST:
        return (
            "A comparison needs two measured runs, and the library has one. Record or import "
            "another one, or choose the worklist."
        )
    if len(wish.run_ids) < FEWEST:
        return f"Tick {FEWEST} to {MOST} runs."
    return _missing_in(wish.run_ids, choices)


def _missing_for_change(wish: Wish, choices: Choices) -> str:
    if not (wish.before_id and wish.after_id):
        return (
            "Before and after needs two measured runs of one instrument. Record or import the "
            "other one."
        )
    if wish.before_id == wish.after_id:
        return "Before and after are one and the same run. Choose another one."
    before, after = choices.run(wish.before_id), choices.run(wish.after_id)
    if before is not None and after is not None and before.instrument_id != after.instrument_id:
        return "These runs are of two instruments. Choose the comparison for them."
    return _missing_in((wish.before_id, wish.after_id), choices)


def _missing_in(run_ids: Iterable[int], choices: Choices) -> str:
    for run_id in run_ids:
        run = choices.run(run_id)
        if run is None:
            return "A chosen run is no longer in the library. Choose another one."
        if not run.is_measured:
            return (
                f"{shortened(run.title, 60)} is not measured yet. Measure it from the page of "
                "its instrument."
            )
    return ""


def file_stem(wish: Wish, choices: Choices) -> str:
    """Name a sheet's file, without its ending, so that every system takes it."""
    if wish.kind is SheetKind.WORKSHEET:
        names = [
            item.name for item in choices.instruments if item.instrument_id == wish.instrument_id
        ]
    else:
        ids = {
            SheetKind.COMPARISON: wish.run_ids,
            SheetKind.CHANGE: (wish.after_id,),
            SheetKind.WORKLIST: (wish.run_id,),
        }[wish.kind]
        runs = [run for run in map(choices.run, ids) if run is not None]
        names = list(dict.fromkeys(run.instrument for run in runs))
    text = clean_text(f"{wish.kind.words} - {', '.join(names)}")
    kept = "".join(" " if sign in _NOT_IN_FILE_NAMES else sign for sign in text)
    return shortened(" ".join(kept.split()), _LONGEST_STEM).rstrip(" .…-")
