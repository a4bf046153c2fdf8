"""How does a sheet come out of the library?

Functions: `make_comparison`, `make_change`, `make_worklist`, `make_worksheet`, `run_sound`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date

from toneapp.errors import InputError
from toneapp.library import BeforeAfter, Library, RunOfInstrument, take_source
from toneapp.sheets.blocks import Sheet
from toneapp.sheets.change import change_sheet
from toneapp.sheets.clips import ClipSet, ClipSource, RunSound, make_clips
from toneapp.sheets.comparison import comparison_sheet
from toneapp.sheets.settings import SheetSettings
from toneapp.sheets.work import worklist_sheet, worksheet_sheet

__all__ = ["make_change", "make_comparison", "make_worklist", "make_worksheet", "run_sound"]

_MOST_CHANGED_KEYS = 5


def make_comparison(
    library: Library,
    run_ids: Sequence[int],
    settings: SheetSettings,
    *,
    today: date,
    has_sound: bool = False,
    progress: Callable[[float], None] | None = None,
) -> Sheet:
    """Make the comparison sheet of 2 to 6 runs.

    Parameters
    ----------
    library : Library
    run_ids : sequence of int
        Numbers of the runs; differences refer to the first.
    settings : SheetSettings
    today : date
        Stands on the sheet.
    has_sound : bool
        With sounds, for the page on the screen.
    progress : callable, optional
        Called with the share done, 0 to 1; what it raises stops the work.

    Raises
    ------
    InputError
        If there are fewer or more runs, one comes twice, or one was not measured.
    AudioFileError
        If a recording can no longer be read.
    """
    comparison = library.compare_instruments(run_ids)
    clips = _clips(library, comparison.runs, progress=progress) if has_sound else None
    return comparison_sheet(comparison, settings, today=today, clips=clips)


def make_change(
    library: Library,
    before_id: int,
    after_id: int,
    settings: SheetSettings,
    *,
    today: date,
    has_sound: bool = False,
    progress: Callable[[float], None] | None = None,
) -> Sheet:
    """Make the sheet of what changed between two runs of one instrument; see `make_comparison`."""
    comparison = library.compare_before_after(before_id, after_id)
    clips = None
    if has_sound:
        clips = _clips(
            library,
            (comparison.before, comparison.after),
            preferred_keys=_most_changed(comparison),
            progress=progress,
        )
    return change_sheet(comparison, settings, today=today, clips=clips)


def make_worklist(library: Library, run_id: int, settings: SheetSettings, *, today: date) -> Sheet:
    """Make the worklist of a run, with its ticks."""
    item = library.run_with_result(run_id, with_partials=False)
    return worklist_sheet(item, library.worklist(run_id), settings, today=today)


def make_worksheet(
    library: Library, instrument_id: int, settings: SheetSettings, *, today: date
) -> Sheet:
    """Make the worksheet of an instrument, with the latest weights."""
    instrument = library.instruments.get(instrument_id)
    if instrument.deleted_at is not None:
        raise InputError(f"instrument {instrument_id} is in the bin; restore it first")
    sets = library.weights.of_instrument(instrument_id)
    return worksheet_sheet(
        instrument,
        library.worksheets.items(instrument_id),
        settings,
        today=today,
        weights=sets[-1] if sets else None,
    )


def run_sound(library: Library, item: RunOfInstrument) -> RunSound:
    """Find the recordings of a run, by the source that its strikes name.

    Those of notes that were recorded again are named as `toneapp.library.take_source` names them,
    be they one file or several.
    """
    use = item.result.channel_use
    channel = use.removeprefix("channel ") if use != "mono" else "auto"
    sources = {}
    for take in library.runs.takes(item.run.id):
        has_parts = len(take.recordings) > 1
        for one in take.recordings:
            found = ClipSource(path=library.runs.sound_path(one), scale=one.scale, channel=channel)
            if take.kind != "run":
                sources[take_source(take.number, one.name if has_parts else "")] = found
                continue
            sources[one.name] = found
            if not has_parts:
                sources[""] = found
    return RunSound(result=item.result, sources=sources)


def _clips(
    library: Library,
    runs: Sequence[RunOfInstrument],
    *,
    preferred_keys: Sequence[int] = (),
    progress: Callable[[float], None] | None,
) -> ClipSet:
    return make_clips(
        [run_sound(library, item) for item in runs],
        preferred_keys=preferred_keys,
        progress=progress,
    )


def _most_changed(comparison: BeforeAfter) -> list[int]:
    """Keys whose brightness changed most, and surely."""
    for item in comparison.measures:
        if item.measure == "brightness" and item.changes is not None:
            changes = item.changes
            changed = [
                (abs(float(changes.difference[i])), int(changes.midi[i]))
                for i in range(changes.midi.size)
                if changes.is_changed[i]
            ]
            return [midi for _, midi in sorted(changed, reverse=True)[:_MOST_CHANGED_KEYS]]
    return []
