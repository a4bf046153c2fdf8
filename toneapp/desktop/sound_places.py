"""Where does the sound of a run and of a strike lie?

Classes and functions: `SoundPlace`, `sound_places`, `place_of_strike`.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from toneapp.library import Library
from toneapp.results import StrikeResult

__all__ = ["SoundPlace", "place_of_strike", "sound_places"]

_AGAIN = "take "
"""Notes recorded again bear the number of their take as source."""


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
    number = strike.source.removeprefix(_AGAIN)
    if strike.source.startswith(_AGAIN) and number.isdigit():
        return next((place for place in places if place.take_number == int(number)), None)
    named = next((place for place in places if place.part and place.part == strike.source), None)
    return named or (places[0] if places else None)
