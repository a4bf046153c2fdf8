"""Where does the sound of a run and of a strike lie?

Classes and functions: `SoundPlace`, `sound_places`, `place_of_strike`.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from toneapp.library import Library, take_source
from toneapp.results import StrikeResult

_AGAIN = "take "

__all__ = ["SoundPlace", "place_of_strike", "sound_places"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundPlace:
    """Where a strike's sound lies."""

    path: Path  # FLAC of the library, to be read and never written
    scale: float  # samples that came in = samples in the file times this
    take_id: int
    take_number: int
    part: str  # file within the take when it has several, else empty
    duration_s: float
    sample_rate_hz: int


def sound_places(library: Library, run_id: int) -> tuple[SoundPlace, ...]:
    """Return the recordings of a run, and of its notes recorded again, in their order."""
    return tuple(
        SoundPlace(
            path=library.runs.sound_path(recording),
            scale=recording.scale,
            take_id=take.id,
            take_number=take.number,
            part=recording.name if len(take.recordings) > 1 else "",
            duration_s=recording.duration_s,
            sample_rate_hz=recording.sample_rate_hz,
        )
        for take in library.runs.takes(run_id)
        if take.deleted_at is None
        for recording in take.recordings
    )


def place_of_strike(places: tuple[SoundPlace, ...], strike: StrikeResult) -> SoundPlace | None:
    """Find the recording of a strike; its times count from the beginning of that file."""
    # Files of the run itself come first: one may bear any name.
    own = [place for place in places if places and place.take_number == places[0].take_number]
    named = next((place for place in own if place.part and place.part == strike.source), None)
    if named is not None:
        return named
    again = [place for place in places if place not in own]
    for place in again:
        if strike.source == take_source(place.take_number, place.part):
            return place
    is_gone = strike.source.startswith(_AGAIN)  # its take lies in the bin
    return own[0] if own and not own[0].part and not is_gone else None
