"""Sounds of the sheets: the same notes, one loudness, small enough."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile
from invented import RATE_HZ, Measures, invent_strikes, join
from invented_workshop import sound_of

from toneapp.keyboard import KeyboardLayout
from toneapp.library import Instrument, Library, Run
from toneapp.results import Flag
from toneapp.sheets import ClipSet, RunSound, make_clips, run_sound
from toneapp.sheets.clips import HIGHEST_PEAK, ClipSource, encode_sound

LOUDNESS_TOLERANCE_LU = 0.2


@pytest.fixture(scope="module")
def sounds(workshop: Library) -> list[RunSound]:
    return [run_sound(workshop, workshop.run_with_result(run_id)) for run_id in (1, 2, 3, 4)]


@pytest.fixture(scope="module")
def clips(sounds: list[RunSound]) -> ClipSet:
    return make_clips(sounds)


def decoded(content: bytes) -> tuple[np.ndarray, int]:
    samples, rate_hz = soundfile.read(io.BytesIO(content))
    return samples, rate_hz


def loudness(content: bytes) -> float:
    samples, rate_hz = decoded(content)
    return float(pyloudnorm.Meter(rate_hz).integrated_loudness(samples))


def test_the_loudness_of_all_is_one(clips: ClipSet) -> None:
    # Independent meter of ITU-R BS.1770-4: pyloudnorm, on the sound as it is decoded again.
    found = [[loudness(v.content) for v in clip.versions] for clip in clips.clips]
    assert len(found) >= 5
    for of_clip in found:
        assert max(of_clip) - min(of_clip) < LOUDNESS_TOLERANCE_LU
        assert of_clip == pytest.approx([clips.target_lkfs] * 4, abs=LOUDNESS_TOLERANCE_LU)


def test_vorbis_keeps_the_loudness(sounds: list[RunSound], clips: ClipSet) -> None:
    small = make_clips(sounds, most_bytes=clips.bytes - 1)
    assert {v.mime for clip in small.clips for v in clip.versions} == {"audio/ogg"}
    assert len(small.clips) == len(clips.clips)
    assert small.bytes < clips.bytes
    for clip in small.clips:
        found = [loudness(version.content) for version in clip.versions]
        assert found == pytest.approx([small.target_lkfs] * 4, abs=LOUDNESS_TOLERANCE_LU)


def test_fewer_notes_where_even_that_is_too_much(sounds: list[RunSound], clips: ClipSet) -> None:
    small = make_clips(sounds, most_bytes=60_000)
    assert 1 <= len(small.clips) < len(clips.clips)


def test_versions_have_one_length_and_no_clipped_sample(clips: ClipSet) -> None:
    for clip in clips.clips:
        lengths = set()
        for version in clip.versions:
            samples, rate_hz = decoded(version.content)
            lengths.add(samples.size / rate_hz)
            assert np.max(np.abs(samples)) <= HIGHEST_PEAK + 1e-3
        assert len(lengths) == 1
        assert lengths.pop() == pytest.approx(clip.duration_s, abs=1e-4)
        assert 10 * clip.duration_s == pytest.approx(round(10 * clip.duration_s))


def test_the_gain_makes_up_for_the_recording(clips: ClipSet) -> None:
    # Run 3 was recorded at 0.2 of full scale, run 1 at 0.5, with the same tones and touch.
    gains = np.array([[v.gain_db for v in clip.versions] for clip in clips.clips])
    difference = np.median(gains[:, 2] - gains[:, 0])
    assert difference == pytest.approx(20 * math.log10(0.5 / 0.2), abs=1.0)


def test_a_scale_and_a_note_an_octave(clips: ClipSet) -> None:
    scale = [clip for clip in clips.clips if clip.is_scale]
    assert [clip.midis for clip in scale] == [(60, 62, 64, 65, 67, 69, 71, 72)]
    singles = [clip.midis[0] for clip in clips.clips if not clip.is_scale]
    assert singles == [36, 45, 57, 69, 81, 89]  # the lowest and highest key that are there


def test_a_clip_holds_the_note_it_names(clips: ClipSet) -> None:
    for clip in clips.clips:
        if clip.is_scale or clip.midis[0] < 45:
            continue
        samples, rate_hz = decoded(clip.versions[0].content)
        spectrum = np.abs(np.fft.rfft(samples * np.hanning(samples.size)))
        peak_hz = np.argmax(spectrum) * rate_hz / samples.size
        assert peak_hz == pytest.approx(440 * 2 ** ((clip.midis[0] - 69) / 12), rel=0.01)


def test_preferred_keys_come_first(sounds: list[RunSound]) -> None:
    chosen = make_clips(sounds[:2], preferred_keys=[63, 50, 76])
    assert [c.midis for c in chosen.clips if not c.is_scale] == [(50,), (63,), (76,)]


def test_damaged_strikes_are_not_taken(sounds: list[RunSound]) -> None:
    strikes = tuple(
        replace(s, flags=(Flag.CLIPPED,)) if s.midi in (69, 60) else s
        for s in sounds[0].result.strikes
    )
    spoilt = replace(sounds[0], result=replace(sounds[0].result, strikes=strikes))
    found = make_clips([spoilt, sounds[1]])
    midis = {midi for clip in found.clips for midi in clip.midis}
    assert not midis & {60, 69}
    assert any(clip.is_scale for clip in found.clips)


def test_runs_without_a_common_note_have_no_sound(sounds: list[RunSound]) -> None:
    low, high = (
        replace(
            one,
            result=replace(
                one.result,
                strikes=tuple(s for s in one.result.strikes if (s.midi < 60) == is_low),
            ),
        )
        for one, is_low in ((sounds[0], True), (sounds[1], False))
    )
    assert make_clips([low, high]).clips == ()
    gone = {"": ClipSource(path=Path("gone.flac"), scale=1.0, channel="auto")}
    assert make_clips([replace(sounds[0], sources=gone), sounds[1]]).clips == ()


def test_notes_recorded_again_are_found(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    first = invent_strikes(rng, midis=(60, 62, 64))
    again = invent_strikes(rng, midis=(62,))
    with Library(tmp_path / "library") as library:
        piano = library.instruments.add(Instrument(name="Old upright"))
        paths = []
        for number, strikes in enumerate((first, again)):
            paths.append(tmp_path / f"{number}.flac")
            sound = sound_of(list(strikes), draw=number, gain=0.5)
            soundfile.write(paths[-1], sound, RATE_HZ)
        run = library.runs.add(Run(instrument_id=piano.id), paths[0])
        layout = KeyboardLayout()
        library.measuring.measure(run.id, Measures(join(first, layout=layout)))
        take = library.runs.add_take(run, paths[1], replaces=True)
        library.measuring.put_result(take.id, join(again, layout=layout))
        item = library.run_with_result(run.id)
        assert {s.source for s in item.result.strikes if s.midi == 62} == {"take 2"}
        sound = run_sound(library, item)
        assert all(sound.source_of(strike) is not None for strike in item.result.strikes)
        assert {62} < {
            clip.midis[0] for clip in make_clips([sound], preferred_keys=[60, 62, 64]).clips
        }


def test_notes_recorded_again_in_several_files_have_each_its_own_sound(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    folder = tmp_path / "again"
    folder.mkdir()
    with Library(tmp_path / "library") as library:
        piano = library.instruments.add(Instrument(name="Old upright"))
        whole = tmp_path / "whole.wav"
        soundfile.write(whole, 0.1 * rng.standard_normal(RATE_HZ), RATE_HZ)
        for name in ("a.wav", "b.wav"):
            soundfile.write(folder / name, 0.1 * rng.standard_normal(RATE_HZ), RATE_HZ)
        run = library.runs.add(Run(instrument_id=piano.id), whole)
        layout = KeyboardLayout()
        first = invent_strikes(rng, midis=(60, 62, 64))
        library.measuring.measure(run.id, Measures(join(first, layout=layout)))
        take = library.runs.add_take(run, folder, replaces=True)
        again = [
            replace(strike, source=recording.name)
            for strike, recording in zip(
                invent_strikes(rng, midis=(60, 62), strikes=1), take.recordings, strict=True
            )
        ]
        library.measuring.put_result(take.id, join(again, layout=layout))
        item = library.run_with_result(run.id)
        sound = run_sound(library, item)
        found = {s.midi: sound.source_of(s) for s in item.result.strikes}
        paths = {midi: source.path for midi, source in found.items() if source is not None}
        one, two = (library.runs.sound_path(recording) for recording in take.recordings)
        assert (paths[60], paths[62]) == (one, two)
        assert paths[64] not in (one, two)


def test_what_progress_raises_stops_the_work(sounds: list[RunSound]) -> None:
    def stop(_share: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        make_clips(sounds, progress=stop)


@pytest.mark.parametrize("form", ["FLAC", "OGG"])
def test_a_long_sound_is_encoded(form: str) -> None:
    # 70 s at one go would overrun the stack of the Vorbis encoder.
    sound = 0.1 * np.sin(2 * np.pi * 440 * np.arange(70 * 8000) / 8000)
    content, mime = encode_sound(sound, sample_rate_hz=8000, form=form)
    samples, _ = decoded(content)
    assert mime == f"audio/{form.lower()}"
    assert samples.size == sound.size
    assert np.sqrt(np.mean((samples - sound) ** 2)) < 0.01
