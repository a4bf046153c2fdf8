"""A whole run: from a recording to every note's results.

The only place that knows the order of the stages: scan for candidate strikes, label them as one
run, measure every strike, judge the notes against the instrument's own trend. Chunks and strikes
are shared among worker processes; each reads its own stretch of the recording, so that memory does
not grow with the length.

Functions: `analyse`, `without_voices`.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from toneapp.analysis.labels import GivenLabel, NamedStrike, apply_given_labels
from toneapp.analysis.ringon import judge_ringing
from toneapp.analysis.scan import (
    Candidate,
    ChunkScan,
    NoiseSpectrum,
    merge_scans,
    plan_chunks,
    scan_chunk,
)
from toneapp.analysis.strike import MeasuredStrike, StrikeTask, measure_strike
from toneapp.analysis.summing import Heard, join_run
from toneapp.analysis.workers import Crew
from toneapp.audio import SoundFileHandle, SoundFileSource, list_sound_files, open_sound
from toneapp.errors import AudioFileError, NothingFoundError
from toneapp.keyboard import KeyboardLayout
from toneapp.measure.expected_release import expected_holds
from toneapp.measure.labelling import Label, RunLabels, label_run
from toneapp.measure.release import HIGHEST_LAST_DAMPER_MIDI
from toneapp.measure.series import typical_inharmonicity
from toneapp.pitch import A4_HZ
from toneapp.results import Flag, RunResult, StrikeResult, UnexpectedSound

__all__ = ["analyse", "without_voices"]

BEFORE_S = 0.25
LONGEST_S = 12.0
"""Sound read before an onset, and the longest that a strike is followed."""

NEXT_GAP_S = 0.008
"""Left out before the next strike: bands smear its onset backward."""

LOUD_NOISE_RISE_DB = 8.0
"""A noise that lifts the level by more than this ends the measured part of a strike."""

VOICE_RESIDUAL_CENTS = 4.5
WOUND_TOP = 40
VOICE_TOP = 76
"""Partials that scatter more than this about the law are no plain string's. Below E2 wound strings
may; above E5, where no voice speaks, the lines of three strings may."""

LEAST_PARTIALS_MIDI = (21.0, 45.0, 60.0, 72.0)
LEAST_PARTIALS = (6.0, 5.0, 3.0, 1.0)
"""Fewest partials of a struck note over the keyboard; the softest blows on a real grand show 20 in
the bass and 10 at middle C."""

RESOLVING_S = 0.5

HARMONIC_SHARE = 0.2
"""Share of the usual inharmonicity below which partials count as harmonic; the lowest measured on
a long grand is half the usual."""

CLATTER_S = (-0.08, 0.2)
"""Around a release key and damper make a noise that belongs to it."""

BATCH_STRIKES = 4
SCAN_SHARE = 0.3
LATER_SHARE = 0.95
"""Progress shown after the first pass, and after all strikes were measured once."""

SURE_DAMPER_MIDI = 84
"""Up to C6 every piano has dampers (common practice, no source)."""


def analyse(
    path: str | Path,
    *,
    layout: KeyboardLayout | None = None,
    a4_hz: float = A4_HZ,
    order: str | None = None,
    labels: Sequence[GivenLabel] = (),
    channel: str = "auto",
    calibration_db: float | None = None,
    jobs: int | None = 1,
    progress: Callable[[float], None] | None = None,
    on_strikes: Callable[[Sequence[StrikeResult]], None] | None = None,
) -> RunResult:
    """Measure every note of a recorded run.

    Parameters
    ----------
    path : str or Path
        A recording of a run, or a folder of recordings of single notes.
    layout : KeyboardLayout, optional
        Compass and breaks of the instrument; A0-C8 without known breaks by default.
    a4_hz : float
        Reference for the cents, in Hz.
    order : str, optional
        ``"ascending"``, ``"descending"`` or ``"free"``; read from the run by default.
    labels : sequence of GivenLabel
        Labels by hand, which override what was heard. For one recording only.
    channel : str
        Channel to use; see `toneapp.audio.open_sound`.
    calibration_db : float, optional
        Sound pressure level of full scale in dB, if known; levels are then dB SPL.
    jobs : int, optional
        Worker processes; ``None`` for as many as there are processors.
    progress : callable, optional
        Called with the share done, 0 to 1. An exception that it raises (`Cancelled`) stops the
        work.
    on_strikes : callable, optional
        Called with some strikes as soon as they are measured, in any order, to be looked at
        meanwhile; the result may still leave some of them out or measure them again.

    Returns
    -------
    RunResult
        Strikes, notes, evenness and problems.

    Raises
    ------
    AudioFileError
        If the recording cannot be read.
    NothingFoundError
        If it holds no strike.
    ValueError
        If `order` is none of those named, or `a4_hz` is not between 380 and 500.
    """
    if order not in (None, "ascending", "descending", "free"):
        raise ValueError(f"order is ascending, descending or free, got {order!r}")
    if not 380.0 <= a4_hz <= 500.0:
        raise ValueError(f"A4 lies between 380 and 500 Hz, got {a4_hz}")
    layout = layout or KeyboardLayout()
    report = progress or (lambda _share: None)
    sources, problems = _open_all(Path(path), channel=channel)
    try:
        return _analyse_sources(
            sources,
            problems,
            name=Path(path).name,
            layout=layout,
            a4_hz=a4_hz,
            order=order,
            labels=labels,
            calibration_db=calibration_db,
            jobs=jobs or os.cpu_count() or 1,
            report=report,
            on_strikes=on_strikes,
        )
    finally:
        for source in sources:
            source.close()


def _open_all(path: Path, *, channel: str) -> tuple[list[SoundFileSource], list[str]]:
    """Open one recording or all of a folder; files that cannot be read become problems."""
    if not os.path.isdir(path):
        source = open_sound(path, channel=channel)
        return [source], list(source.problems)
    sources: list[SoundFileSource] = []
    problems: list[str] = []
    for file in list_sound_files(path):
        try:
            source = open_sound(file, channel=channel)
        except AudioFileError as exc:
            problems.append(str(exc))
            continue
        sources.append(source)
        problems.extend(source.problems)
    if not sources:
        raise AudioFileError(f"none of the sound files in {path.name} can be read: {problems[0]}")
    return sources, problems


def _analyse_sources(
    sources: list[SoundFileSource],
    problems: list[str],
    *,
    name: str,
    layout: KeyboardLayout,
    a4_hz: float,
    order: str | None,
    labels: Sequence[GivenLabel],
    calibration_db: float | None,
    jobs: int,
    report: Callable[[float], None],
    on_strikes: Callable[[Sequence[StrikeResult]], None] | None = None,
) -> RunResult:
    """Carry out the stages in their order."""
    handles = [source.handle for source in sources]
    duration_s = sum(source.duration_s for source in sources)
    with Crew(jobs if duration_s > 15.0 else 1) as crew:
        tasks = [(h, chunk) for h in handles for chunk in plan_chunks(h.frames / h.sample_rate_hz)]
        scans = crew.do(_scan, tasks, report=lambda share: report(SCAN_SHARE * share))
        heard = _listen(handles, tasks, scans)
        run = label_run(
            [candidate.evidence for _, candidate in heard.candidates],
            heard.times_s,
            compass=layout.compass,
            order=order,
            rises_db=[candidate.rise_db for _, candidate in heard.candidates],
            sources=[source for source, _ in heard.candidates],
        )
        strikes, unexpected = _name_strikes(heard, run)
        if labels:
            strikes = apply_given_labels(strikes, labels, detune_semitones=run.detune_semitones)
        if not strikes:
            raise NothingFoundError(_nothing_found(name))
        jobs_list = _strike_tasks(
            handles, heard, strikes, unexpected, layout=layout, calibration_db=calibration_db
        )
        batches = [
            jobs_list[i : i + BATCH_STRIKES] for i in range(0, len(jobs_list), BATCH_STRIKES)
        ]
        done = crew.do(
            _measure,
            batches,
            report=lambda share: report(SCAN_SHARE + (LATER_SHARE - SCAN_SHARE) * share),
            each=None
            if on_strikes is None
            else lambda batch: on_strikes([item.result for item in batch]),
        )
        every = [item for batch in done for item in batch]
        again = _look_again(jobs_list, every, layout=layout)
        seconds = crew.do(
            _measure,
            [[task] for _, task in again],
            report=lambda share: report(LATER_SHARE + (1.0 - LATER_SHARE) * share),
        )
        for (index, _), items in zip(again, seconds, strict=True):
            every[index] = items[0]
    measured, voices = without_voices(every)
    if not measured:
        raise NothingFoundError(_nothing_found(name))
    results, ring_on = judge_ringing(measured, layout=layout)
    unexpected = sorted(
        [
            item
            for item in unexpected
            if item.onset_s not in {voice.onset_s for voice in voices}
            and not (item.kind == "noise" and _is_clatter(item.onset_s, results))
        ]
        + voices,
        key=lambda item: item.onset_s,
    )
    first = sources[0]
    return join_run(
        results,
        Heard(
            sample_rate_hz=first.sample_rate_hz,
            duration_s=duration_s,
            channels=first.channels,
            channel_use=first.channel_use,
            order=run.order,
            detune_semitones=run.detune_semitones,
            unexpected=tuple(unexpected),
            problems=tuple(dict.fromkeys(problems)),
            noise=heard.noise,
            peak=heard.peak,
            clipped_samples=heard.clipped_samples,
            source=name,
            ring_on=ring_on,
        ),
        layout=layout,
        a4_hz=a4_hz,
        calibration_db=calibration_db,
    )


def _nothing_found(name: str) -> str:
    """Sentence for a recording without strikes."""
    return f"{name} holds no strike that can be measured; is it a piano, and loud enough?"


def _is_harmonic(result: StrikeResult) -> bool:
    """Tell a voice by its harmonic partials: no string is free of stiffness.

    Partials that keep to a harmonic series to a fifth of a cent are an electronic instrument's.
    """
    if result.B is None or result.series_residual_cents is None or result.midi >= VOICE_TOP:
        return False
    return (
        HARMONIC_SHARE * typical_inharmonicity(float(result.midi)) > result.B
        and result.series_residual_cents > 0.2
    )


def _is_clatter(onset_s: float, results: Sequence[StrikeResult]) -> bool:
    """Tell the thump of a key or damper that is let go from a noise of its own."""
    return any(
        result.release_s is not None and CLATTER_S[0] < onset_s - result.release_s < CLATTER_S[1]
        for result in results
    )


def _has_too_little(result: StrikeResult) -> bool:
    """Tell a knock that was read as a low note: a low string has many partials, near the law."""
    if result.series_residual_cents is None:
        return False
    count = len(result.partials)
    least = float(np.interp(result.midi, LEAST_PARTIALS_MIDI, LEAST_PARTIALS))
    if result.end_s - result.onset_s < RESOLVING_S:
        least *= 0.5  # too short to part the partials of a low note
    scattered = result.series_residual_cents > VOICE_RESIDUAL_CENTS
    return count < least or (result.midi <= WOUND_TOP and scattered and count < 2 * least)


def without_voices(
    measured: Sequence[MeasuredStrike],
) -> tuple[list[MeasuredStrike], list[UnexpectedSound]]:
    """Take out what was doubtful as a strike and turned out to have no string's series."""
    kept: list[MeasuredStrike] = []
    voices: list[UnexpectedSound] = []
    for item in measured:
        result = item.result
        if Flag.LABEL_GIVEN in result.flags:
            kept.append(item)
            continue
        doubtful = Flag.NOTE_UNCERTAIN in result.flags or Flag.UNEXPECTED in result.flags
        residual = result.series_residual_cents
        scattered = residual is not None and residual > VOICE_RESIDUAL_CENTS
        has_series = Flag.NO_PITCH not in result.flags and not (
            scattered and result.midi > WOUND_TOP
        )
        is_nothing = Flag.NO_PITCH in result.flags and Flag.QUIET in result.flags
        is_voice = (scattered and WOUND_TOP < result.midi < VOICE_TOP) or _is_harmonic(result)
        if is_voice or is_nothing or _has_too_little(result) or (doubtful and not has_series):
            voices.append(UnexpectedSound(onset_s=result.onset_s, kind="noise"))
        else:
            kept.append(item)
    return kept, voices


class _Listening:
    """Candidates of all recordings of a run in their order, and the noise."""

    def __init__(self) -> None:
        self.candidates: list[tuple[int, Candidate]] = []
        self.times_s: list[float] = []  # on one time line through all recordings
        self.noises: list[NoiseSpectrum] = []
        self.peak = 0.0
        self.clipped_samples = 0

    @property
    def noise(self) -> NoiseSpectrum:
        """Noise of the first recording, for the figures of the run."""
        return self.noises[0]


def _listen(
    handles: list[SoundFileHandle],
    tasks: list[tuple[SoundFileHandle, tuple[float, float]]],
    scans: list[ChunkScan],
) -> _Listening:
    """Join the scans of all chunks, recording by recording."""
    heard = _Listening()
    offset_s = 0.0
    for index, handle in enumerate(handles):
        own = [scan for (h, _), scan in zip(tasks, scans, strict=True) if h is handle]
        candidates, noise, peak, clipped = merge_scans(own)
        heard.candidates.extend((index, candidate) for candidate in candidates)
        heard.times_s.extend(offset_s + candidate.onset_s for candidate in candidates)
        heard.noises.append(noise)
        heard.peak = max(heard.peak, peak)
        heard.clipped_samples += clipped
        offset_s += handle.frames / handle.sample_rate_hz
    return heard


def _name_strikes(
    heard: _Listening, run: RunLabels
) -> tuple[list[NamedStrike], list[UnexpectedSound]]:
    """Turn labels into strikes, and into sounds that fit no expected note."""
    strikes: list[NamedStrike] = []
    unexpected: list[UnexpectedSound] = []
    for (source, candidate), label in zip(heard.candidates, run.labels, strict=True):
        if label.midi is None:
            if candidate.evidence.rise_db >= LOUD_NOISE_RISE_DB:
                unexpected.append(UnexpectedSound(onset_s=candidate.onset_s, kind="noise"))
            continue
        if label.is_unexpected:
            unexpected.append(UnexpectedSound(onset_s=candidate.onset_s, midi=label.midi))
        strikes.append(_named(source, candidate, label))
    return strikes, unexpected


def _named(source: int, candidate: Candidate, label: Label) -> NamedStrike:
    """One strike from its label."""
    assert label.midi is not None
    return NamedStrike(
        onset_s=candidate.onset_s,
        midi=label.midi,
        pitch=label.pitch,
        source=source,
        is_unexpected=label.is_unexpected,
        is_second_blow=label.is_second_blow,
        is_uncertain=label.margin < 0.0,
    )


def _strike_tasks(
    handles: list[SoundFileHandle],
    heard: _Listening,
    strikes: list[NamedStrike],
    unexpected: list[UnexpectedSound],
    *,
    layout: KeyboardLayout,
    calibration_db: float | None,
) -> list[tuple[SoundFileHandle, StrikeTask]]:
    """Say for each strike how far it may be followed."""
    noises_s = sorted(item.onset_s for item in unexpected if item.kind == "noise")
    tasks = []
    for i, strike in enumerate(strikes):
        handle = handles[strike.source]
        end_s = min(strike.onset_s + LONGEST_S, handle.frames / handle.sample_rate_hz)
        is_cut = end_s < strike.onset_s + LONGEST_S
        if i + 1 < len(strikes) and strikes[i + 1].source == strike.source:
            next_s = strikes[i + 1].onset_s - NEXT_GAP_S
            if next_s < end_s:
                end_s, is_cut = next_s, True
        if len(handles) == 1:
            for noise_s in noises_s:
                if strike.onset_s + 0.1 < noise_s < end_s:
                    end_s, is_cut = noise_s - NEXT_GAP_S, True
                    break
        tasks.append(
            (
                handle,
                StrikeTask(
                    strike=strike,
                    end_s=end_s,
                    is_cut_short=is_cut,
                    noise=heard.noises[strike.source],
                    has_damper=_has_damper(strike.midi, layout),
                    calibration_db=calibration_db,
                    source=Path(handle.path).name if len(handles) > 1 else "",
                ),
            )
        )
    return tasks


def _has_damper(midi: int, layout: KeyboardLayout) -> bool | None:
    """Tell whether a key has a damper; None when the instrument's last damper is not known."""
    if layout.last_damper_midi is not None:
        return midi <= layout.last_damper_midi
    return False if midi > HIGHEST_LAST_DAMPER_MIDI else None


def _look_again(
    tasks: Sequence[tuple[SoundFileHandle, StrikeTask]],
    measured: Sequence[MeasuredStrike],
    *,
    layout: KeyboardLayout,
) -> list[tuple[int, tuple[SoundFileHandle, StrikeTask]]]:
    """Strikes without a release, to be measured again with the hold of their neighbours."""
    results = [item.result for item in measured]
    may_have = [_has_damper(result.midi, layout) is not False for result in results]
    holds = expected_holds(
        [None if r.release_s is None else r.release_s - r.onset_s for r in results], may_have
    )
    again = []
    for i, (handle, task) in enumerate(tasks):
        if results[i].release_s is not None or not may_have[i] or holds[i] is None:
            continue
        is_sure = task.has_damper is True or results[i].midi <= SURE_DAMPER_MIDI
        again.append(
            (
                i,
                (handle, replace(task, expected_hold_s=holds[i], may_assume_release=is_sure)),
            )
        )
    return again


def _scan(task: tuple[SoundFileHandle, tuple[float, float]]) -> ChunkScan:
    """Scan one chunk; runs in a worker."""
    from toneapp.analysis.scan import MARGIN_S

    handle, chunk = task
    rate = handle.sample_rate_hz
    start = max(0, int((chunk[0] - MARGIN_S) * rate))
    stop = min(handle.frames, int((chunk[1] + MARGIN_S) * rate) + 1)
    with handle.open() as source:
        samples = source.read(start, stop)
    return scan_chunk(
        samples,
        sample_rate_hz=rate,
        first_s=start / rate,
        chunk=(chunk[0], chunk[1] if stop < handle.frames else float("inf")),
    )


def _measure(batch: list[tuple[SoundFileHandle, StrikeTask]]) -> list[MeasuredStrike]:
    """Measure some neighbouring strikes; runs in a worker."""
    results = []
    handle = batch[0][0]
    source = handle.open()
    try:
        for own, task in batch:
            if own is not handle:
                source.close()
                handle, source = own, own.open()
            rate = handle.sample_rate_hz
            start = max(0, int((task.strike.onset_s - BEFORE_S) * rate))
            stop = max(start + 1, int(task.end_s * rate))
            samples = source.read(start, stop).astype(np.float64)
            results.append(
                measure_strike(samples, sample_rate_hz=rate, first_s=start / rate, task=task)
            )
    finally:
        source.close()
    return results
