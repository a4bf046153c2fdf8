"""A repetition run: from a recording of keys struck fast to each key's figures.

Functions: `analyse_repetition`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from toneapp._typing import FloatArray
from toneapp.audio import SoundFileSource, list_sound_files, open_sound
from toneapp.errors import InputError, NothingFoundError
from toneapp.evenness.sluggish import RepetitionJudgement, judge_repetition
from toneapp.keyboard import KeyboardLayout
from toneapp.measure.blow_train import Series, find_series
from toneapp.measure.evidence import PITCH_GRID, StrikeEvidence
from toneapp.measure.labelling import label_run
from toneapp.measure.repetition import KeyRepetition, measure_repetition
from toneapp.measure.series_pitch import EVIDENCE_BLOWS, series_support
from toneapp.pitch import A4_HZ, hz_to_midi, parse_note
from toneapp.results import Flag

__all__ = ["RepetitionRun", "analyse_repetition"]

LEAST_SUPPORT = 0.0
SURE_SUPPORT = 0.15
NEARBY = 0.5
FEWEST_FOR_ORDER = 4
CLEAR_DB = 4.5
"""Below this rise over what the partials foretell, blows may have been lost in the noise."""

CHUNK_S = 120.0
OVERLAP_S = 30.0
"""Long recordings are read in parts that overlap by more than a series lasts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RepetitionRun:
    """Keys struck as fast as they go."""

    source: str
    duration_s: float
    sample_rate_hz: int
    keys: tuple[KeyRepetition, ...]  # in the order of the recording
    judgement: RepetitionJudgement
    problems: tuple[str, ...] = ()


def analyse_repetition(
    path: str | Path,
    *,
    layout: KeyboardLayout | None = None,
    a4_hz: float = A4_HZ,
    keys: Sequence[int] = (),
    channel: str = "auto",
    progress: Callable[[float], None] | None = None,
) -> RepetitionRun:
    """Measure how each key of a repetition run repeats.

    Parameters
    ----------
    path : str or Path
        One recording of one key or of several one after the other, with pauses of a second; or a
        folder with one recording a key.
    layout : KeyboardLayout, optional
        Compass and breaks of the instrument.
    a4_hz : float
        Where A4 is tuned, in Hz, to name the keys.
    keys : sequence of int
        The keys in the order in which they were struck, when known; heard by pitch without it.
        A file whose name is a note ("A4.wav") names its key.
    channel : str
        Channel to use; see `toneapp.audio.open_sound`.
    progress : callable, optional
        Called with the share done, 0 to 1.

    Returns
    -------
    RepetitionRun

    Raises
    ------
    AudioFileError
        If a recording cannot be read.
    NothingFoundError
        If no series of fast blows is found.
    InputError
        If the number of `keys` is not that of the series found.
    """
    layout = layout or KeyboardLayout()
    report = progress or (lambda _share: None)
    paths = list_sound_files(path) if Path(path).is_dir() else [Path(path)]
    found: list[_Found] = []
    duration_s, rate = 0.0, 0
    problems: list[str] = []
    for number, file in enumerate(paths):
        with open_sound(file, channel=channel) as sound:
            rate = sound.sample_rate_hz
            duration_s += sound.duration_s
            here = _series_of(sound, file)
        found.extend(here)
        if not here and len(paths) > 1:
            problems.append(f"no series of fast blows in {file.name}")
        report((number + 1) / len(paths))
    if not found:
        raise NothingFoundError(
            f"{Path(path).name} holds no series of fast blows; strike one key six times or more "
            "as fast as it will go, then pause for a second before the next"
        )
    if keys and len(keys) != len(found):
        raise InputError(
            f"{len(keys)} keys were named, but {len(found)} series of fast blows were found; "
            "name one key for each"
        )
    is_folder = len(paths) > 1
    heard = _name_keys(found, layout=layout, a4_hz=a4_hz, is_one_recording=not is_folder)
    results = []
    for place, item in enumerate(found):
        midi = keys[place] if keys else (_named_by(item.file) if is_folder else None)
        flags = [Flag.LABEL_GIVEN] if midi is not None else []
        if midi is None:
            midi = heard[place].midi
            if midi is None:
                flags.append(Flag.NO_PITCH)
            elif not heard[place].is_sure:
                flags.append(Flag.NOTE_UNCERTAIN)
        if item.series.clearness < CLEAR_DB:
            flags.append(Flag.QUIET)
        results.append(
            measure_repetition(
                item.series,
                midi=midi,
                source=item.file.name if is_folder else "",
                flags=tuple(flags),
            )
        )
    breaks = [float(first) for first in layout.breaks()]
    return RepetitionRun(
        source=Path(path).name,
        duration_s=duration_s,
        sample_rate_hz=rate,
        keys=tuple(results),
        judgement=judge_repetition(results, breaks=breaks),
        problems=tuple(problems),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Heard:
    """What key a series sounds like."""

    midi: int | None
    is_sure: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Found:
    """One series of a recording."""

    file: Path
    series: Series
    support: FloatArray  # of each pitch, on `PITCH_GRID`


def _named_by(file: Path) -> int | None:
    """Key that a file is named for."""
    try:
        return parse_note(file.stem)
    except ValueError:
        return None


def _series_of(sound: SoundFileSource, file: Path) -> list[_Found]:
    """Series of one recording."""
    rate = sound.sample_rate_hz
    chunk, step = int(CHUNK_S * rate), int((CHUNK_S - OVERLAP_S) * rate)
    found: list[_Found] = []
    for first in range(0, max(sound.frames, 1), step):
        samples = sound.read(first, min(first + chunk, sound.frames)).astype(np.float64)
        if samples.size < 0.3 * rate:
            break
        offset_s = first / rate
        ends_here = first + chunk >= sound.frames
        for item in find_series(samples, sample_rate_hz=rate):
            begins = float(item.times_s[0])
            # A series that runs on at the end of this part is whole in the next one.
            if not ends_here and begins > step / rate:
                continue
            if found and begins + offset_s <= float(found[-1].series.times_s[-1]):
                continue
            found.append(
                _Found(
                    file=file,
                    series=replace(item, times_s=item.times_s + offset_s),
                    support=series_support(item, samples, sample_rate_hz=rate),
                )
            )
        if ends_here:
            break
    return found


def _name_keys(
    found: Sequence[_Found], *, layout: KeyboardLayout, a4_hz: float, is_one_recording: bool
) -> list[_Heard]:
    """Key of each series: by its own pitch, or by the order of them all when they are many."""
    shift = hz_to_midi(A4_HZ, a4_hz=a4_hz) - 69.0
    if len(found) < FEWEST_FOR_ORDER:
        return [_own_key(item.support, layout=layout, shift=shift) for item in found]
    labels = label_run(
        [
            StrikeEvidence(
                support=item.support,
                peak_count=EVIDENCE_BLOWS,
                loudest_db=40.0,
                rise_db=20.0,
                steadiness=1.0,
            )
            for item in found
        ],
        # Seconds apart, whatever the file: the order alone counts.
        [10.0 * place for place in range(len(found))],
        compass=layout.compass,
        reference_offset=-shift,
        sources=None if is_one_recording else list(range(len(found))),
    ).labels
    return [
        _Heard(midi=label.midi, is_sure=label.midi is not None and label.margin > 0.0)
        for label in labels
    ]


def _own_key(support: FloatArray, *, layout: KeyboardLayout, shift: float) -> _Heard:
    """Key whose pitch explains a series best."""
    best: tuple[float, int] | None = None
    for midi in layout.compass:
        near = np.abs(PITCH_GRID + shift - midi) <= NEARBY
        value = float(support[near].max()) if near.any() else -np.inf
        if best is None or value > best[0]:
            best = (value, midi)
    if best is None or best[0] <= LEAST_SUPPORT:
        return _Heard(midi=None, is_sure=False)
    return _Heard(midi=best[1], is_sure=best[0] >= SURE_SUPPORT)
