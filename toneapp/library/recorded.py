"""How does a run that was recorded at the piano come into the library?

`RecordedFacts` are noted with the recording while it goes on, so that a run that was left behind
by a crash still knows where it belongs. `take_in` takes the closed recording in; blows that were
not good stay out of the result, and keys that a person named count as named.

Functions and classes: `RecordedFacts`, `last_detune_semitones`, `take_in`, `lay_in_bin`. It is
imported by its own name, since the sound system comes with it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

from toneapp.audio.capture import Blow, ClosedRun, Instrument, Reason, RunKind, reason_text
from toneapp.audio.capture import join_parts as join_parts_of
from toneapp.errors import InputError
from toneapp.library.library import Library
from toneapp.library.rows import Purpose, Run
from toneapp.pitch import A4_HZ

__all__ = [
    "RecordedFacts",
    "last_detune_semitones",
    "lay_in_bin",
    "take_in",
]

JOINED = "run.flac"


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedFacts:
    """Where a recording goes, and what its judgement has to know; kept as JSON beside it."""

    out: str | None = None  # into this file, and not into the library
    again: int | None = None  # notes of this run once more
    instrument: int | None = None
    condition: str = ""
    place: str = ""
    microphone: str = ""
    gain_note: str = ""
    last_damper_midi: int | None = None
    a4_hz: float = A4_HZ
    detune_semitones: float = 0.0

    def to_json(self) -> dict[str, Any]:
        """As an object of JSON; `from_json` reads it."""
        return asdict(self)

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> RecordedFacts:
        """Read what `to_json` wrote; what is missing or unknown is left out."""
        known = {field.name for field in fields(cls)}
        return cls(**{name: value for name, value in data.items() if name in known})

    def for_judgement(self) -> Instrument:
        """What the judgement of a blow has to know of the instrument."""
        return Instrument(
            last_damper_midi=self.last_damper_midi,
            a4_hz=self.a4_hz,
            detune_semitones=self.detune_semitones,
        )


def last_detune_semitones(library: Library, instrument_id: int) -> float:
    """Where an instrument stood in its last run, in semitones against A4 = 440 Hz."""
    for run in reversed(library.runs.all(instrument_id)):
        result = library.measuring.result(run.id)
        if result is not None and result.a4_measured_hz:
            return 12.0 * math.log2(result.a4_measured_hz / A4_HZ)
    return 0.0


def take_in(
    library: Library,
    closed: ClosedRun,
    facts: RecordedFacts,
    *,
    progress: Callable[[float], None] | None = None,
) -> Run:
    """Make one file of a closed recording and take it into the library; not measured yet.

    Parameters
    ----------
    library : Library
    closed : ClosedRun
        Its folder stays; the caller removes it.
    facts : RecordedFacts
        What was noted with it.
    progress : callable, optional
        Called with the share done; what it raises stops the work.

    Returns
    -------
    Run
        The new run, or the one whose notes were recorded again.

    Raises
    ------
    AudioFileError, OutputError, LibraryError
        If the recording cannot be read, joined or taken in; its folder stays as it is.
    InputError
        If it belongs to no instrument.
    """
    if facts.again is None and facts.instrument is None:
        raise InputError("the recording belongs to no instrument; choose one")
    folder = closed.folder
    flac = folder.path / JOINED
    join_parts_of(closed.parts, flac, progress=progress)
    if facts.again is not None:
        run = library.runs.get(facts.again)
        take = library.runs.add_take(
            run, flac, replaces=False, note=facts.condition, recorded_at=folder.made_at
        )
    else:
        assert facts.instrument is not None
        run = library.runs.add(
            Run(
                instrument_id=facts.instrument,
                condition=facts.condition,
                purpose=Purpose(folder.plan.kind.value),
                recorded_at=folder.made_at,
                place=facts.place,
                microphone=facts.microphone,
                gain_note=facts.gain_note,
                notes="\n".join(closed.problems),
            ),
            flac,
        )
        take = library.runs.takes(run.id)[0]
    is_repetition = folder.plan.kind is RunKind.REPETITION
    for blow in closed.blows:
        _tell_blow(library, take.id, blow, is_named=is_repetition)
    return library.runs.get(run.id)


def lay_in_bin(
    library: Library,
    closed: ClosedRun,
    facts: RecordedFacts,
    *,
    progress: Callable[[float], None] | None = None,
) -> Run:
    """Take a recording that is not wanted into the library and lay it in the bin.

    There it can be brought back, or be removed for good. Parameters and errors are those of
    `take_in`; notes recorded again come as a run of their own.
    """
    if facts.again is not None:
        again = library.runs.get(facts.again)
        facts = RecordedFacts.from_json(
            facts.to_json() | {"again": None, "instrument": again.instrument_id}
        )
    run = take_in(library, closed, facts, progress=progress)
    return library.runs.remove(run)


def _tell_blow(library: Library, take_id: int, blow: Blow, *, is_named: bool) -> None:
    """Let a blow that was not good stay out of the result, and a named one count as named."""
    if blow.is_counted:
        # A key that was heard as another one counts because a person said so.
        if is_named or Reason.WRONG_KEY in blow.reasons:
            library.strikes.relabel(take_id, blow.onset_s, blow.midi)
        return
    # What fell into it must not be taken for a blow of its own either.
    for at_s in (blow.onset_s, *blow.disturbed_at_s):
        library.strikes.discard(take_id, at_s, note=reason_text(blow))
