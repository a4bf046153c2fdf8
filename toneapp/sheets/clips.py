"""Which sounds go with a sheet, and how are they made comparable?

The same notes and the same short scale are cut from each run and brought to one loudness by ITU-R
BS.1770, so that neither gain nor microphone decides which sounds better. All clips of a row have
the same length and the same rhythm: the ear can be switched from one run to another within a note.

Classes and functions: `ClipSource`, `RunSound`, `Clip`, `ClipVersion`, `ClipSet`, `make_clips`,
`encode_sound`.
"""

from __future__ import annotations

import io
import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from toneapp._typing import FloatArray
from toneapp.audio import open_sound
from toneapp.results import Flag, RunResult, StrikeResult
from toneapp.sheets.loudness import programme_loudness_lkfs

__all__ = [
    "Clip",
    "ClipSet",
    "ClipSource",
    "ClipVersion",
    "RunSound",
    "encode_sound",
    "make_clips",
]

TARGET_LKFS = -20.0
"""Loudness of the clips; less where a peak would pass `HIGHEST_PEAK`."""

HIGHEST_PEAK = 10.0 ** (-1.0 / 20.0)
"""Largest sample of a clip: 1 dB below full scale leaves room for the coder."""

MOST_BYTES = 6_500_000
"""All clips together, before they are written as text, a third more: the page has below 10 MB."""

LONGEST_NOTE_S, SHORTEST_NOTE_S = 3.0, 0.9
SCALE_NOTE_S, SHORTEST_SCALE_NOTE_S = 0.45, 0.3
_STEP_S = 0.1
"""Clips are whole numbers of this long: the blocks of the loudness then end with the clip, and it
does not matter how a meter counts a block that is not whole."""

_LEAD_S, _FADE_IN_S, _FADE_OUT_S, _SCALE_FADE_S = 0.02, 0.004, 0.2, 0.05
_AFTER_RELEASE_S = 0.5  # how the damper works is part of the sound

_TARGET_KEYS = (33, 45, 57, 69, 81, 93)
"""A1, A2 ... A6: one note an octave. The nearest key that all runs have is taken."""

_SEARCH_SEMITONES = 5
_SCALE_STEPS = (0, 2, 4, 5, 7, 9, 11, 12)  # a major scale
_SCALE_ROOTS = (60, 62, 55, 65, 67, 57, 53, 69, 48, 72)
"""First notes to try: C4, then others near it."""

_BAD = frozenset(
    {Flag.CLIPPED, Flag.DOUBLE_BLOW, Flag.UNEXPECTED, Flag.NO_PITCH, Flag.NOTE_UNCERTAIN}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipSource:
    """One recording of a run: the file and what its samples are to be multiplied by."""

    path: Path
    scale: float
    channel: str  # as `toneapp.audio.open_sound` takes it


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSound:
    """A measured run with its recordings, by the source that its strikes name."""

    result: RunResult
    sources: dict[str, ClipSource]

    def source_of(self, strike: StrikeResult) -> ClipSource | None:
        """Recording that a strike lies in; None when it is not there."""
        found = self.sources.get(strike.source)
        return found if found is not None and found.path.is_file() else None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipVersion:
    """A clip as one run has it."""

    content: bytes
    mime: str
    loudness_lkfs: float  # before it is encoded
    gain_db: float  # against the recording


@dataclass(frozen=True, slots=True, kw_only=True)
class Clip:
    """One note, or the scale, of all runs."""

    name: str  # such as "A4" or "C4-C5"
    midis: tuple[int, ...]
    duration_s: float
    versions: tuple[ClipVersion, ...]  # one a run, in their order

    @property
    def is_scale(self) -> bool:
        """Tell whether it is a scale."""
        return len(self.midis) > 1


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipSet:
    """All sounds of a sheet, at one loudness."""

    target_lkfs: float
    clips: tuple[Clip, ...]

    @property
    def bytes(self) -> int:
        """Size of all clips."""
        return sum(len(version.content) for clip in self.clips for version in clip.versions)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Cut:
    """Samples of a clip before they are brought to a loudness."""

    samples: FloatArray
    sample_rate_hz: int
    loudness_lkfs: float

    def peak(self) -> float:
        return float(np.max(np.abs(self.samples)))


def make_clips(
    runs: Sequence[RunSound],
    *,
    preferred_keys: Sequence[int] = (),
    most_bytes: int = MOST_BYTES,
    progress: Callable[[float], None] | None = None,
) -> ClipSet:
    """Cut the same notes and a short scale from all runs and match their loudness.

    Parameters
    ----------
    runs : sequence of RunSound
    preferred_keys : sequence of int
        Keys to take, as far as all runs have them, in place of one note an octave.
    most_bytes : int
        All clips together. FLAC (lossless) if it fits, else Ogg Vorbis; and if that does not fit,
        fewer notes.
    progress : callable, optional
        Called with the share done, 0 to 1; what it raises stops the work.

    Returns
    -------
    ClipSet
        Without clips when the runs have no good strike on a common key.

    Raises
    ------
    AudioFileError
        If a recording can no longer be read.
    """
    report = progress or (lambda _share: None)
    good = [_good_strikes(run) for run in runs]
    common = sorted(set.intersection(*(set(of_run) for of_run in good))) if good else []
    plans = [(midi,) for midi in _chosen_keys(common, preferred_keys)] + [
        scale for scale in [_scale(common)] if scale
    ]
    cuts: list[tuple[tuple[int, ...], float, list[_Cut]]] = []
    for number, midis in enumerate(plans):
        made = _cut_all(runs, good, midis)
        if made is not None:
            cuts.append((midis, *made))
        report(0.6 * (number + 1) / len(plans))
    if not cuts:
        return ClipSet(target_lkfs=TARGET_LKFS, clips=())
    target = min(
        TARGET_LKFS,
        *(
            cut.loudness_lkfs + 20.0 * math.log10(HIGHEST_PEAK / cut.peak())
            for _, _, versions in cuts
            for cut in versions
        ),
    )
    while True:
        for form in ("FLAC", "OGG"):
            clips = tuple(
                _clip(midis, duration_s, versions, target, form)
                for midis, duration_s, versions in cuts
            )
            made_set = ClipSet(target_lkfs=target, clips=clips)
            if made_set.bytes <= most_bytes or (form == "OGG" and len(cuts) == 1):
                report(1.0)
                return made_set
        cuts.pop(len(cuts) // 2)


def _good_strikes(run: RunSound) -> dict[int, StrikeResult]:
    """For each key the undamaged strike in the middle of its levels, with room enough after it."""
    room = _room_after(run.result.strikes)
    by_key: dict[int, list[tuple[float, StrikeResult]]] = defaultdict(list)
    for strike in run.result.strikes:
        is_good = not _BAD.intersection(strike.flags) and strike.level_db is not None
        if is_good and run.source_of(strike) is not None:
            length_s = room[strike.source, strike.onset_s]
            if length_s >= SHORTEST_SCALE_NOTE_S and strike.level_db is not None:
                by_key[strike.midi].append((strike.level_db, strike))
    chosen = {}
    for midi, found in by_key.items():
        found.sort(key=lambda pair: pair[0])
        chosen[midi] = found[len(found) // 2][1]
    return chosen


def _room_after(strikes: Sequence[StrikeResult]) -> dict[tuple[str, float], float]:
    """Time from each strike to the next of its recording, or to the end of what is measured."""
    by_source: dict[str, list[StrikeResult]] = defaultdict(list)
    for strike in strikes:
        by_source[strike.source].append(strike)
    found = {}
    for source, own in by_source.items():
        own.sort(key=lambda strike: strike.onset_s)
        for strike, after in zip(own, [*own[1:], None], strict=True):
            end_s = strike.end_s if after is None else min(after.onset_s - 0.03, strike.end_s)
            found[source, strike.onset_s] = end_s - strike.onset_s
    return found


def _chosen_keys(common: Sequence[int], preferred: Sequence[int]) -> list[int]:
    wanted = [midi for midi in preferred if midi in common][: len(_TARGET_KEYS)]
    chosen = set(wanted)
    for target in () if len(wanted) > 2 else _TARGET_KEYS:
        near = [midi for midi in common if abs(midi - target) <= _SEARCH_SEMITONES]
        if near:
            chosen.add(min(near, key=lambda midi: (abs(midi - target), midi)))
    return sorted(chosen)


def _scale(common: Sequence[int]) -> tuple[int, ...]:
    for root in _SCALE_ROOTS:
        notes = tuple(root + step for step in _SCALE_STEPS)
        if set(notes) <= set(common):
            return notes
    return ()


def _cut_all(
    runs: Sequence[RunSound], good: Sequence[dict[int, StrikeResult]], midis: tuple[int, ...]
) -> tuple[float, list[_Cut]] | None:
    """The clip of each run, all of one length; None where that would be too short."""
    is_scale = len(midis) > 1
    rooms = []
    for run, strikes in zip(runs, good, strict=True):
        room = _room_after(run.result.strikes)
        for midi in midis:
            strike = strikes[midi]
            length_s = room[strike.source, strike.onset_s]
            if not is_scale and strike.release_s is not None:
                length_s = min(length_s, strike.release_s - strike.onset_s + _AFTER_RELEASE_S)
            rooms.append(length_s)
    longest, shortest = (
        (SCALE_NOTE_S, SHORTEST_SCALE_NOTE_S) if is_scale else (LONGEST_NOTE_S, SHORTEST_NOTE_S)
    )
    duration_s = math.floor(min(longest, *rooms) * len(midis) / _STEP_S + 1e-9) * _STEP_S
    note_s = duration_s / len(midis)
    if note_s < shortest:
        return None
    cuts = []
    for run, strikes in zip(runs, good, strict=True):
        cut = _cut(run, [strikes[midi] for midi in midis], note_s, is_scale=is_scale)
        if cut is None:
            return None
        cuts.append(cut)
    return round(duration_s, 3), cuts


def _cut(
    run: RunSound, strikes: Sequence[StrikeResult], note_s: float, *, is_scale: bool
) -> _Cut | None:
    rate_hz = run.result.sample_rate_hz
    pieces = []
    for place, strike in enumerate(strikes):
        source = run.source_of(strike)
        assert source is not None  # only such strikes are good
        with open_sound(source.path, channel=source.channel) as sound:
            if sound.sample_rate_hz != rate_hz:
                return None
            start = max(round((strike.onset_s - _LEAD_S) * rate_hz), 0)
            wanted = round((place + 1) * note_s * rate_hz) - round(place * note_s * rate_hz)
            samples = sound.read(start, start + wanted).astype(np.float64)
        samples = np.pad(samples * source.scale, (0, max(wanted - samples.size, 0)))
        is_last = place == len(strikes) - 1
        fade_s = _SCALE_FADE_S if is_scale and not is_last else min(_FADE_OUT_S, note_s / 3)
        pieces.append(_faded(samples, rate_hz, fade_s))
    whole = np.concatenate(pieces)
    loudness = programme_loudness_lkfs(whole, sample_rate_hz=rate_hz)
    if loudness is None or not np.any(whole):
        return None
    return _Cut(samples=whole, sample_rate_hz=rate_hz, loudness_lkfs=loudness)


def _faded(samples: FloatArray, rate_hz: int, fade_out_s: float) -> FloatArray:
    """Ease the ends in and out (raised cosine), so that a cut is no click."""
    faded = samples.copy()
    for length_s, part in ((_FADE_IN_S, slice(None)), (fade_out_s, slice(None, None, -1))):
        count = min(round(length_s * rate_hz), faded.size)
        ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(count) + 0.5) / count)
        faded[part][:count] *= ramp
    return faded


def _clip(
    midis: tuple[int, ...],
    duration_s: float,
    cuts: Sequence[_Cut],
    target_lkfs: float,
    form: str,
) -> Clip:
    from toneapp.pitch import note_name

    versions = []
    for cut in cuts:
        gain_db = target_lkfs - cut.loudness_lkfs
        content, mime = encode_sound(
            cut.samples * 10.0 ** (0.05 * gain_db), sample_rate_hz=cut.sample_rate_hz, form=form
        )
        versions.append(
            ClipVersion(content=content, mime=mime, loudness_lkfs=target_lkfs, gain_db=gain_db)
        )
    name = note_name(midis[0])
    if len(midis) > 1:
        name = f"{name}\N{EN DASH}{note_name(midis[-1])}"
    return Clip(name=name, midis=midis, duration_s=duration_s, versions=tuple(versions))


def encode_sound(samples: FloatArray, *, sample_rate_hz: int, form: str) -> tuple[bytes, str]:
    """Encode a mono sound for a page.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Full scale = 1; what goes beyond is clipped.
    sample_rate_hz : int
        Sampling rate in Hz.
    form : str
        "FLAC" (16 bit, lossless) or "OGG" (Vorbis).

    Returns
    -------
    content : bytes
    mime : str
        Its type on the web.
    """
    target = io.BytesIO()
    subtype, mime = {"FLAC": ("PCM_16", "audio/flac"), "OGG": ("VORBIS", "audio/ogg")}[form]
    with soundfile.SoundFile(
        target, "w", samplerate=sample_rate_hz, channels=1, format=form, subtype=subtype
    ) as file:
        # One long write of Vorbis overruns the stack of the encoder, so a second at a time.
        for start in range(0, samples.size, sample_rate_hz):
            file.write(np.clip(samples[start : start + sample_rate_hz], -1.0, 1.0))
    return target.getvalue(), mime
