"""A whole run: from a recording to every note's results.

The only place that knows the order of the stages: scan for candidate strikes, label them as one
run, measure every strike, judge the notes against the instrument's own trend. Chunks and strikes
are shared among worker processes; each reads its own stretch of the recording, so that memory does
not grow with the length.

Functions: `analyse`.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path

from toneapp.analysis.damped_run import with_damped_decays
from toneapp.analysis.following import look_again, measure_batch, strike_tasks
from toneapp.analysis.labels import GivenLabel, apply_given_labels, check_labels
from toneapp.analysis.listening import listen, name_strikes
from toneapp.analysis.ringon import judge_ringing
from toneapp.analysis.strike import MeasuredStrike
from toneapp.analysis.strike_task import StrikeTask
from toneapp.analysis.strings_only import strings_only
from toneapp.analysis.summing import Heard, join_run
from toneapp.analysis.workers import Crew
from toneapp.audio import SoundFileHandle, SoundFileSource, list_sound_files, open_sound
from toneapp.errors import AudioFileError, NothingFoundError
from toneapp.keyboard import KeyboardLayout
from toneapp.measure.labelling import label_run
from toneapp.one_thread import one_thread
from toneapp.pitch import A4_HZ, A4_MIDI, hz_to_midi
from toneapp.results import RunResult, StrikeResult

__all__ = ["analyse"]

MOST_IN_BATCH = 8
BATCHES_PER_JOB = 4
"""Strikes that are measured side by side take less time; no worker shall wait for another long."""

SCAN_SHARE = 0.3
LATER_SHARE = 0.95
"""Progress shown after the first pass, and after all strikes were measured once."""


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
        Reference for the cents and for the names of keys, in Hz.
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
        with one_thread():
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
    check_labels(labels, duration_s=sources[0].duration_s)
    with Crew(jobs if duration_s > 15.0 else 1) as crew:
        heard = listen(handles, crew=crew, report=lambda share: report(SCAN_SHARE * share))
        reference_offset = hz_to_midi(a4_hz) - A4_MIDI
        run = label_run(
            [candidate.evidence for _, candidate in heard.candidates],
            heard.times_s,
            compass=layout.compass,
            reference_offset=reference_offset,
            order=order,
            rises_db=[candidate.rise_db for _, candidate in heard.candidates],
            sources=[source for source, _ in heard.candidates],
        )
        strikes, unexpected = name_strikes(heard, run)
        if labels:
            strikes = apply_given_labels(
                strikes, labels, detune_semitones=run.detune_semitones + reference_offset
            )
        if not strikes:
            raise NothingFoundError(_nothing_found(name, problems))
        jobs_list = strike_tasks(
            handles, heard, strikes, unexpected, layout=layout, calibration_db=calibration_db
        )
        every = _measure_all(jobs_list, layout=layout, crew=crew, report=report, each=on_strikes)
        strings = strings_only(every, unexpected, sample_rate_hz=sources[0].sample_rate_hz)
        if not strings.measured:
            raise NothingFoundError(_no_string(name, strings.sounds))
        results, ring_on = judge_ringing(
            with_damped_decays(strings.measured, layout=layout, crew=crew), layout=layout
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
            other_detune_semitones=None if labels else run.other_detune_semitones,
            unexpected=strings.unexpected(unexpected, results),
            problems=tuple(dict.fromkeys([*problems, *strings.problems])),
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


def _measure_all(
    tasks: list[tuple[SoundFileHandle, StrikeTask]],
    *,
    layout: KeyboardLayout,
    crew: Crew,
    report: Callable[[float], None],
    each: Callable[[Sequence[StrikeResult]], None] | None,
) -> list[MeasuredStrike]:
    """Measure all strikes, and again those of which the others have told more."""
    size = min(max(len(tasks) // (BATCHES_PER_JOB * crew.jobs), 1), MOST_IN_BATCH)
    batches = [tasks[i : i + size] for i in range(0, len(tasks), size)]
    done = crew.do(
        measure_batch,
        batches,
        report=lambda share: report(SCAN_SHARE + (LATER_SHARE - SCAN_SHARE) * share),
        each=None if each is None else lambda batch: each([item.result for item in batch]),
    )
    every = [item for batch in done for item in batch]
    again = look_again(tasks, every, layout=layout)
    seconds = crew.do(
        measure_batch,
        [[task] for _, task in again],
        report=lambda share: report(LATER_SHARE + (1.0 - LATER_SHARE) * share),
    )
    for (index, _), items in zip(again, seconds, strict=True):
        every[index] = items[0]
    return every


def _no_string(name: str, sounds: int) -> str:
    """Sentence for a recording of something else than struck strings."""
    if sounds == 0:
        return _nothing_found(name, [])
    return (
        f"{name} holds sounds ({sounds}), but hardly any that is clearly a struck string; is it "
        "speech, music or noise? Record the keys of a piano one by one"
    )


def _nothing_found(name: str, problems: Sequence[str]) -> str:
    """Sentence for a recording without strikes."""
    also = f" ({'; '.join(problems[:2])})" if problems else ""
    return f"{name} holds no strike that can be measured{also}; is it a piano, and loud enough?"
