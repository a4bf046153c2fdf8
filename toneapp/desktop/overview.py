"""What stands in the list of instruments, and in the list of an instrument's runs?

Prepared from the library as text, so that the widgets only show it.

Functions: `instrument_rows`, `run_rows`. Classes: `InstrumentRow`, `RunRow`.
"""

from __future__ import annotations

from dataclasses import dataclass

from toneapp.library import Instrument, ItemState, Library, Run, RunFigures
from toneapp.wording import quantity_text

__all__ = ["InstrumentRow", "RunRow", "instrument_rows", "run_rows"]


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentRow:
    """One instrument in the list."""

    id: int
    name: str
    facts: str  # kind, maker, place
    state: str  # what was recorded and what is open


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRow:
    """One run in the list of an instrument."""

    run: Run
    figures: RunFigures | None

    @property
    def day(self) -> str:
        """When it was recorded."""
        return self.run.recorded_at[:10]

    @property
    def state(self) -> str:
        """Whether its values are there and up to date."""
        if self.figures is None:
            return "not measured yet"
        return "measured" if self.figures.is_current else "measure again"

    @property
    def raised(self) -> str:
        """How many notes leave the trend."""
        return "" if self.figures is None else f"{self.figures.raised} of {self.figures.notes}"

    @property
    def level(self) -> str:
        """Unevenness of level."""
        value = None if self.figures is None else self.figures.level_evenness_db
        return "" if value is None else quantity_text(value, "dB")

    @property
    def brightness(self) -> str:
        """Unevenness of brightness."""
        value = None if self.figures is None else self.figures.brightness_evenness_oct
        return "" if value is None else quantity_text(value, "oct", decimals=2)


def run_rows(library: Library, instrument_id: int) -> tuple[RunRow, ...]:
    """Return the runs of an instrument, latest first."""
    runs = library.runs.all(instrument_id)
    figures = library.measuring.figures([run.id for run in runs])
    return tuple(RunRow(run=run, figures=figures.get(run.id)) for run in reversed(runs))


def instrument_rows(library: Library, words: str = "") -> tuple[InstrumentRow, ...]:
    """Return the instruments, all or those that a search finds.

    Parameters
    ----------
    library : Library
    words : str
        Found in an instrument or in one of its runs; all when empty.
    """
    instruments = library.instruments.all()
    if words.strip():
        found = {hit.instrument_id for hit in library.search(words)}
        instruments = tuple(item for item in instruments if item.id in found)
    runs: dict[int, list[Run]] = {}
    for run in library.runs.all():
        runs.setdefault(run.instrument_id, []).append(run)
    return tuple(_row(library, item, runs.get(item.id, [])) for item in instruments)


def _row(library: Library, instrument: Instrument, runs: list[Run]) -> InstrumentRow:
    facts = (instrument.kind.value, instrument.maker, instrument.model, instrument.place)
    open_items = sum(
        item.state is ItemState.OPEN for item in library.worksheets.items(instrument.id)
    )
    state = []
    if runs:
        noun = "run" if len(runs) == 1 else "runs"
        last = runs[-1]
        words = f"last {last.recorded_at[:10]} {last.condition}".rstrip()
        state.append(f"{len(runs)} {noun}, {words}")
    else:
        state.append("no run yet")
    if open_items:
        state.append(f"{open_items} to do")
    return InstrumentRow(
        id=instrument.id,
        name=instrument.name,
        facts=", ".join(word for word in facts if word),
        state="  ·  ".join(state),
    )
