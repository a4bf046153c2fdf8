"""Which blows of the recording that goes on count, and what do they amount to so far?

Keeps the results of the blows that count, by their number, and gives the lanes of the map for
them alone. The whole run is measured anew in the end.

Classes and functions: `RecordGrowth`, `growing_view`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from toneapp.audio.capture import Blow, BlowJudged, BlowRevised, Event
from toneapp.desktop.evenness_view import EvennessView, evenness_view
from toneapp.desktop.growing_run import GrowingRun
from toneapp.library import Instrument, Run, RunOfInstrument
from toneapp.pitch import note_name
from toneapp.results import StrikeResult

__all__ = ["RecordGrowth", "growing_view"]


class RecordGrowth:
    """Blows of one recording.

    Attributes
    ----------
    last : Blow or None
        The last blow, as it is judged now.
    """

    def __init__(self) -> None:
        self.last: Blow | None = None
        self._counted: dict[int, StrikeResult] = {}
        self._others: dict[int, StrikeResult] = {}  # measured, but not counted
        self._levels: dict[int, tuple[int, float]] = {}  # number: key, level in dB

    def begin(self, blows: Iterable[Blow] = ()) -> None:
        """Begin with another recording; `blows` are those of before it was left."""
        self.last = None
        self._counted.clear()
        self._others.clear()
        self._levels.clear()
        for blow in blows:
            self._see_level(blow)

    def take(self, events: Iterable[Event]) -> bool:
        """Take up what has happened; whether anything that counts is another."""
        is_other = False
        for event in events:
            if isinstance(event, BlowJudged):
                self.last = event.blow
                is_other |= self._see(event.blow)
            elif isinstance(event, BlowRevised):
                if self.last is not None and self.last.number == event.blow.number:
                    self.last = event.blow if event.blow.is_counted else None
                is_other |= self._see(event.blow)
        return is_other

    def forget_last(self) -> None:
        """Say no more of the last blow: the person went on."""
        self.last = None

    def levels(self) -> dict[int, float]:
        """Level that each key has reached, in dB; the mean of its blows that count."""
        found: dict[int, list[float]] = {}
        for midi, level_db in self._levels.values():
            found.setdefault(midi, []).append(level_db)
        return {midi: sum(values) / len(values) for midi, values in found.items()}

    def strikes(self) -> tuple[StrikeResult, ...]:
        """Results of the blows that count."""
        return tuple(self._counted.values())

    def _see(self, blow: Blow) -> bool:
        result = blow.result or self._counted.get(blow.number) or self._others.get(blow.number)
        self._see_level(blow)
        if result is None:
            return False
        if result.midi != blow.midi:
            result = replace(result, midi=blow.midi, note=note_name(blow.midi))
        to, other = (
            (self._counted, self._others) if blow.is_counted else (self._others, self._counted)
        )
        other.pop(blow.number, None)
        to[blow.number] = result
        return True

    def _see_level(self, blow: Blow) -> None:
        if blow.is_counted and blow.level_db is not None:
            self._levels[blow.number] = (blow.midi, blow.level_db)
        else:
            self._levels.pop(blow.number, None)


def growing_view(
    strikes: tuple[StrikeResult, ...], *, instrument: Instrument, run: Run
) -> EvennessView:
    """Map of the blows so far; for another thread.

    Parameters
    ----------
    strikes : tuple of StrikeResult
        Blows that count.
    instrument : Instrument
        With compass and breaks.
    run : Run
        Its facts; not in the library yet.
    """
    growing = GrowingRun(instrument, lambda _result: None, clock_s=lambda: 0.0)
    growing.take(strikes)
    return evenness_view(RunOfInstrument(instrument=instrument, run=run, result=growing.result()))
