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
from toneapp.measure.evidence import PITCH_GRID, gather_evidence
from toneapp.measure.repetition import KeyRepetition, Series, find_series, measure_repetition
from toneapp.pitch import A4_HZ, hz_to_midi, parse_note
from toneapp.results import Flag

__all__ = ["RepetitionRun", "analyse_repetition"]

EVIDENCE_S = 0.42
EVIDENCE_BLOWS = 6
LEAST_SUPPORT = 0.1
NEARBY = 0.5
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
    found: list[tuple[Path, Series, int | None]] = []
    duration_s, rate = 0.0, 0
    problems: list[str] = []
    for number, file in enumerate(paths):
        with open_sound(file, channel=channel) as sound:
            rate = sound.sample_rate_hz
            duration_s += sound.duration_s
            count = 0
            for series, midi in _series_of(sound, layout=layout, a4_hz=a4_hz):
                found.append((file, series, midi))
                count += 1
        if count == 0 and len(paths) > 1:
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
    results = []
    for place, (file, series, heard) in enumerate(found):
        midi = keys[place] if keys else (_named_by(file) if len(paths) > 1 else None)
        flags = [Flag.LABEL_GIVEN] if midi is not None else []
        midi = heard if midi is None else midi
        if midi is None:
            flags.append(Flag.NO_PITCH)
        if series.clearness < CLEAR_DB:
            flags.append(Flag.QUIET)
        measured = measure_repetition(
            series,
            midi=midi,
            source=file.name if len(paths) > 1 else "",
            flags=tuple(flags),
        )
        results.append(measured)
    breaks = [float(first) for first in layout.breaks()]
    return RepetitionRun(
        source=Path(path).name,
        duration_s=duration_s,
        sample_rate_hz=rate,
        keys=tuple(results),
        judgement=judge_repetition(results, breaks=breaks),
        problems=tuple(problems),
    )


def _named_by(file: Path) -> int | None:
    """Key that a file is named for."""
    try:
        return parse_note(file.stem)
    except ValueError:
        return None


def _series_of(
    sound: SoundFileSource, *, layout: KeyboardLayout, a4_hz: float
) -> list[tuple[Series, int | None]]:
    """Series of one recording, each with the key that is heard."""
    rate = sound.sample_rate_hz
    chunk, step = int(CHUNK_S * rate), int((CHUNK_S - OVERLAP_S) * rate)
    series: list[tuple[Series, int | None]] = []
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
            if series and begins + offset_s <= float(series[-1][0].times_s[-1]):
                continue
            midi = _heard_key(item, samples, rate=rate, layout=layout, a4_hz=a4_hz)
            series.append((replace(item, times_s=item.times_s + offset_s), midi))
        if ends_here:
            break
    return series


def _heard_key(
    series: Series, samples: FloatArray, *, rate: float, layout: KeyboardLayout, a4_hz: float
) -> int | None:
    """Key that the first and the last blow of a series speak for."""
    end_s = samples.size / rate
    support = np.zeros(PITCH_GRID.size)
    for onset_s in series.times_s[:: max(1, series.times_s.size // EVIDENCE_BLOWS)]:
        # The blows that follow start the same partials anew: the stretch may run over them, and
        # what sounded before is the same note and must count.
        evidence = gather_evidence(
            samples,
            sample_rate_hz=rate,
            onset_s=float(onset_s),
            before_s=0.0,
            after_s=min(EVIDENCE_S, end_s - float(onset_s)),
        )
        support += evidence.support
    support /= len(series.times_s[:: max(1, series.times_s.size // EVIDENCE_BLOWS)])
    shift = hz_to_midi(A4_HZ, a4_hz=a4_hz) - 69.0
    best: tuple[float, int] | None = None
    for midi in layout.compass:
        near = np.abs(PITCH_GRID + shift - midi) <= NEARBY
        value = float(support[near].max()) if near.any() else -np.inf
        if best is None or value > best[0]:
            best = (value, midi)
    return None if best is None or best[0] < LEAST_SUPPORT else best[1]
