"""Which strikes were heard in a run, and what has a person said about them?

Functions: `strike_rows`. Classes: `StrikeRow`.
"""

from __future__ import annotations

from dataclasses import dataclass

from toneapp.library import EditAction, Library, StrikeEdit
from toneapp.pitch import note_name
from toneapp.results import Flag, StrikeResult
from toneapp.wording import flag_text, quantity_text

__all__ = ["StrikeRow", "strike_rows"]

SAME_S = 0.05
TO_ROUNDING_S = 1e-4

_OF_THE_STRIKE = frozenset(
    {
        Flag.BOUNDS_GIVEN, Flag.CLIPPED, Flag.DOUBLE_BLOW, Flag.LABEL_GIVEN, Flag.NO_PITCH,
        Flag.NO_RELEASE, Flag.NOTE_UNCERTAIN, Flag.QUIET, Flag.RELEASE_ASSUMED, Flag.UNEXPECTED,
    }
)  # fmt: skip
"""What tells whether a strike is the one that was meant; what else could not be measured of it
is told on the page of its note."""
"""An edit stands at the measured time of its strike, to rounding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StrikeRow:
    """One moment of the recording."""

    onset_s: float
    part: str  # file of the run when it has several
    midi: int | None  # as heard; None for a sound of no key
    strike: StrikeResult | None
    edit: StrikeEdit | None

    @property
    def key(self) -> tuple[str, float]:
        """Tell it from the others."""
        return (self.part, round(self.onset_s if self.edit is None else self.edit.onset_s, 3))

    @property
    def begin_s(self) -> float:
        """Where it begins: as a person has set it, else as heard."""
        said_s = None if self.edit is None else self.edit.exact_onset_s
        return self.onset_s if said_s is None else said_s

    @property
    def release_s(self) -> float | None:
        """Where its damper acts: as a person has set it, else as heard."""
        said_s = None if self.edit is None else self.edit.release_s
        heard_s = None if self.strike is None else self.strike.release_s
        return heard_s if said_s is None else said_s

    @property
    def end_s(self) -> float | None:
        """Where its sound is followed to."""
        return None if self.strike is None else self.strike.end_s

    @property
    def counted_midi(self) -> int | None:
        """The key it counts for; None when it counts for none."""
        if self.is_left_out:
            return None
        if self.edit is not None:
            return self.edit.midi
        return None if self.strike is None else self.strike.midi

    @property
    def time(self) -> str:
        """When, as minutes and seconds."""
        minutes, seconds = divmod(self.begin_s, 60.0)
        return f"{int(minutes)}:{seconds:05.2f}"

    @property
    def held(self) -> str:
        """How long the key was held."""
        release_s = self.release_s
        return "" if release_s is None else quantity_text(release_s - self.begin_s, "s")

    @property
    def is_left_out(self) -> bool:
        """Whether a person said that it is not to be counted."""
        return self.edit is not None and self.edit.action is EditAction.DISCARD

    @property
    def counted_as(self) -> str:
        """Which key it counts for."""
        if self.is_left_out:
            return "left out"
        if self.edit is not None and self.edit.midi is not None:
            return note_name(self.edit.midi)
        return self.heard

    @property
    def heard(self) -> str:
        """Which key was heard."""
        if self.strike is not None:
            return self.strike.note
        return "no strike" if self.midi is None else f"{note_name(self.midi)}?"

    @property
    def level(self) -> str:
        """Level of the strike."""
        return (
            "" if self.strike is None else quantity_text(self.strike.level_db, "dB").split("dB")[0]
        )

    @property
    def remark(self) -> str:
        """What is to be known about it."""
        words = []
        if self.edit is not None and not self.is_left_out and self.needs_measuring:
            words.append("counts once the run is measured again")
        if self.strike is not None:
            words += [flag_text(flag) for flag in self.strike.flags if flag in _OF_THE_STRIKE]
        elif self.edit is None:
            words.append("fits no expected note")
        return "; ".join(words)

    @property
    def needs_measuring(self) -> bool:
        """Whether what was said takes effect only when the run is measured again."""
        if self.edit is None or self.edit.action is EditAction.DISCARD:
            return False
        if self.strike is None or self.strike.midi != self.edit.midi:
            return True
        begin_s, release_s = self.edit.exact_onset_s, self.edit.release_s
        if begin_s is not None and abs(begin_s - self.strike.onset_s) > TO_ROUNDING_S:
            return True
        if release_s is None:
            return False
        if self.strike.release_s is None:  # measured, when it lies beyond the next strike
            return Flag.BOUNDS_GIVEN not in self.strike.flags
        return abs(release_s - self.strike.release_s) > TO_ROUNDING_S


def strike_rows(library: Library, run_id: int) -> tuple[StrikeRow, ...]:
    """List the moments of a run's own recording, in time; empty when it was not measured."""
    takes = library.runs.takes(run_id)
    result = library.measuring.result(run_id, as_recorded=True, with_partials=False)
    if not takes or result is None:
        return ()
    has_parts = len(takes[0].recordings) > 1
    edits = list(library.strikes.of_take(takes[0].id))
    moments: list[tuple[str, float, int | None, StrikeResult | None]] = [
        (strike.source if has_parts else "", strike.onset_s, strike.midi, strike)
        for strike in result.strikes
    ]
    moments += [("", sound.onset_s, sound.midi, None) for sound in result.unexpected]
    rows = []
    for part, onset_s, midi, strike in moments:
        edit = next((e for e in edits if e.part == part and e.distance_s(onset_s) <= SAME_S), None)
        if edit is not None:
            edits.remove(edit)
        rows.append(StrikeRow(onset_s=onset_s, part=part, midi=midi, strike=strike, edit=edit))
    rows += [
        StrikeRow(onset_s=edit.onset_s, part=edit.part, midi=None, strike=None, edit=edit)
        for edit in edits
    ]
    return tuple(sorted(rows, key=lambda row: (row.part, row.begin_s)))
