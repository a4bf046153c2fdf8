"""How does each key of a repetition run repeat, and which ones are slow?

The library keeps no figures of such runs; they are measured from the kept recording whenever they
are looked at. Knows no widget.

Classes and functions: `RepetitionView`, `RepetitionRow`, `repetition_view`, `measure_kept_run`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from toneapp.analysis import RepetitionRun, analyse_repetition
from toneapp.evenness.sluggish import SluggishKey, SluggishReason, judge_repetition
from toneapp.library import EditAction, Library, StrikeEdit
from toneapp.measure.repetition import KeyRepetition
from toneapp.pitch import note_name
from toneapp.results import Flag
from toneapp.wording import flag_text, quantity_text

__all__ = ["RepetitionRow", "RepetitionView", "measure_kept_run", "repetition_view"]

SAME_SERIES_S = 0.3
"""A word about a strike so near the first blow of a series, or within it, is about the series."""

_REASONS = {
    SluggishReason.SLOW: "slower than the keys around it",
    SluggishReason.UNEVEN_SPACING: "blows unevenly spaced",
    SluggishReason.UNEVEN_LEVEL: "blows unevenly loud",
    SluggishReason.MISSED_BLOWS: "misses blows",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class RepetitionRow:
    """What the table says of one key."""

    midi: int | None
    note: str
    rate: str  # blows a second
    spacing: str
    level: str
    missed: str
    remark: str
    is_sluggish: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RepetitionView:
    """What is shown of a repetition run."""

    heading: str
    sluggish: tuple[str, ...]  # one sentence a key, worst first
    rows: tuple[RepetitionRow, ...]
    problems: tuple[str, ...] = ()


def measure_kept_run(
    library: Library, run_id: int, progress: Callable[[float], None]
) -> RepetitionRun:
    """Measure a repetition run from the recording that the library keeps; for another thread.

    Parameters
    ----------
    library : Library
    run_id : int
        Its first take is measured.
    progress : callable
        Called with the share done.

    Returns
    -------
    RepetitionRun
        Series that were left out are not in it, and named ones are named as a person said.

    Raises
    ------
    AudioFileError, NothingFoundError
        As `toneapp.analysis.analyse_repetition`.
    """
    run = library.runs.get(run_id)
    instrument = library.instruments.get(run.instrument_id)
    layout = instrument.layout()
    take = library.runs.takes(run_id)[0]
    measured = analyse_repetition(
        library.runs.sound_path(take.recordings[0]),
        layout=layout,
        a4_hz=instrument.a4_hz,
        channel=run.channel,
        progress=progress,
    )
    keys = _as_said(measured.keys, library.strikes.of_take(take.id))
    breaks = [float(first) for first in layout.breaks()]
    return replace(
        measured,
        keys=keys,
        judgement=judge_repetition(keys, breaks=breaks),
        source=run.condition or measured.source,
    )


def _as_said(
    keys: Sequence[KeyRepetition], edits: Sequence[StrikeEdit]
) -> tuple[KeyRepetition, ...]:
    """Name series as a person has named them, and leave out those that do not count."""
    kept = []
    for key in keys:
        words = [
            edit
            for edit in edits
            if key.first_s - SAME_SERIES_S <= edit.onset_s <= key.last_s + SAME_SERIES_S
        ]
        said = words[-1] if words else None
        if said is not None and said.action is EditAction.DISCARD:
            continue
        if said is not None and said.midi is not None:
            flags = tuple(
                flag for flag in key.flags if flag not in (Flag.NO_PITCH, Flag.NOTE_UNCERTAIN)
            )
            key = replace(key, midi=said.midi, note=note_name(said.midi), flags=flags)
        kept.append(key)
    return tuple(kept)


def repetition_view(run: RepetitionRun) -> RepetitionView:
    """Put a repetition run into words."""
    sluggish = {item.midi: item for item in run.judgement.sluggish}
    rows = tuple(
        _row(key, None if key.midi is None else sluggish.get(key.midi))
        for key in sorted(run.keys, key=lambda key: (key.midi is None, key.midi or 0, key.first_s))
    )
    count = len(run.judgement.sluggish)
    if not count:
        heading = "No sluggish key"
    else:
        heading = f"{count} sluggish {'key' if count == 1 else 'keys'}"
    problems = [text[:1].upper() + text[1:] for text in run.problems]
    if Flag.TOO_FEW_NOTES in run.judgement.flags:
        problems.append("Seven keys are needed for a trend; these were held against their middle")
    return RepetitionView(
        heading=f"{len({key.midi for key in run.keys})} keys struck fast: {heading.lower()}",
        sluggish=tuple(_sentence(item) for item in run.judgement.sluggish),
        rows=rows,
        problems=tuple(problems),
    )


def _row(key: KeyRepetition, sluggish: SluggishKey | None) -> RepetitionRow:
    remarks = [flag_text(flag) for flag in key.flags if flag is not Flag.LABEL_GIVEN]
    if sluggish is not None:
        remarks = [_REASONS[reason] for reason in sluggish.reasons] + remarks
    percent, percent_se = (
        None if value is None else 100.0 * value for value in (key.spacing_cv, key.spacing_cv_se)
    )
    return RepetitionRow(
        midi=key.midi,
        note=key.note or "?",
        rate=quantity_text(key.strikes_per_s, "", se=key.strikes_per_s_se, decimals=1),
        spacing=quantity_text(percent, "%", se=percent_se, decimals=0),
        level=quantity_text(key.level_sd_db, "dB", se=key.level_sd_db_se, decimals=1),
        missed=f"{key.missed} of {key.blows + key.missed}" if key.missed else "none",
        remark="; ".join(remarks),
        is_sluggish=sluggish is not None,
    )


def _sentence(item: SluggishKey) -> str:
    reasons = " and ".join(_REASONS[reason] for reason in item.reasons)
    text = f"{item.note}: {reasons}"
    rate = quantity_text(item.strikes_per_s, "blows a second", decimals=1)
    if SluggishReason.SLOW in item.reasons and item.usual_per_s is not None:
        text += f" ({rate}, around it {quantity_text(item.usual_per_s, '', decimals=1)})"
    if SluggishReason.MISSED_BLOWS in item.reasons:
        text += f", {item.missed} missed"
    return text
