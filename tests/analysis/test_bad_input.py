"""Recordings that cannot be used, or only in part: one clear sentence, or an honest result."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from toneapp.analysis import analyse
from toneapp.errors import AudioFileError, NothingFoundError, ToneappError
from toneapp.interchange import run_to_json
from toneapp.results import Flag, RunResult

Write = Callable[..., Path]
RATE = 32000


@pytest.fixture(scope="module")
def three_notes(tones: ModuleType) -> np.ndarray:
    """Three notes at 32 kHz: C3, E4 and C6."""
    rng = np.random.default_rng(70)
    blows = tones.evenly_spaced([48, 64, 84], gap_s=1.3, hold_s=0.9)
    return np.asarray(tones.struck_run(blows, rate_hz=RATE, rng=rng))


def _one_line(error: pytest.ExceptionInfo[BaseException]) -> str:
    text = str(error.value)
    assert "\n" not in text
    assert len(text) > 20
    return text


def _keys(run: RunResult) -> list[int]:
    # Whatever is found can be written: no NaN and no infinity is among it.
    run_to_json(run)
    return [strike.midi for strike in run.strikes]


def test_an_empty_file(tmp_path: Path) -> None:
    path = tmp_path / "empty.wav"
    path.touch()
    with pytest.raises(AudioFileError) as error:
        analyse(path)
    assert "empty.wav" in _one_line(error)


@pytest.mark.parametrize("name", ["letter.wav", "letter.flac", "letter.txt"])
def test_no_sound_file(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_bytes(b"Dear Sir or Madam,\n" * 200)
    with pytest.raises(AudioFileError) as error:
        analyse(path)
    assert name in _one_line(error)


def test_no_file_at_all(tmp_path: Path) -> None:
    with pytest.raises(AudioFileError) as error:
        analyse(tmp_path / "gone.wav")
    assert "gone.wav" in _one_line(error)


def test_a_folder_without_sound_files(tmp_path: Path) -> None:
    with pytest.raises(AudioFileError) as error:
        analyse(tmp_path)
    assert "no sound file" in _one_line(error)


def test_a_folder_with_one_bad_file_among_good_ones(
    three_notes: np.ndarray, tmp_path: Path
) -> None:
    soundfile.write(tmp_path / "good.wav", three_notes, RATE)
    (tmp_path / "bad.wav").write_bytes(b"nothing")
    run = analyse(tmp_path)
    assert _keys(run) == [48, 64, 84]
    assert any("bad.wav" in problem for problem in run.problems)
    (tmp_path / "good.wav").write_bytes(b"nothing either")
    with pytest.raises(AudioFileError) as error:
        analyse(tmp_path)
    _one_line(error)


def test_a_flac_file_that_breaks_off(three_notes: np.ndarray, tmp_path: Path) -> None:
    whole = tmp_path / "whole.flac"
    soundfile.write(whole, three_notes, RATE, subtype="PCM_24")
    cut = tmp_path / "cut.flac"
    data = whole.read_bytes()
    cut.write_bytes(data[: int(0.7 * len(data))])
    run = analyse(cut)
    # Half a second of the second note is left at least; what is there is named right.
    assert _keys(run)[:2] == [48, 64]
    assert run.problems != ()
    stub = tmp_path / "stub.flac"
    stub.write_bytes(data[:60])
    with pytest.raises(ToneappError) as error:
        analyse(stub)
    _one_line(error)


@pytest.mark.parametrize("what", ["digital", "noise", "hum", "one sample"])
def test_a_recording_without_a_strike(write: Write, what: str) -> None:
    rng = np.random.default_rng(71)
    t = np.arange(4 * RATE) / RATE
    sounds = {
        "digital": np.zeros(t.size),
        "noise": 1e-3 * rng.standard_normal(t.size),
        "hum": 1e-4 * rng.standard_normal(t.size)
        + 0.01 * np.minimum(t, 1.0) * np.sin(2 * np.pi * 50 * t),
        "one sample": np.array([0.5]),
    }
    with pytest.raises(NothingFoundError) as error:
        analyse(write(sounds[what], rate=RATE, subtype="PCM_24"))
    assert "no strike" in _one_line(error)


def test_talk_alone_is_no_piano(write: Write, tones: ModuleType) -> None:
    rng = np.random.default_rng(72)
    x = 1e-4 * rng.standard_normal(12 * RATE)
    at = 0.5
    while at < 11.0:
        length = rng.uniform(0.12, 0.4)
        voice = tones.syllable(
            rate_hz=RATE, rng=rng, length_s=length, voice_hz=rng.uniform(100, 220)
        )
        tones.put(x, voice, at_s=at, rate_hz=RATE, level_db=-15.0)
        at += length + rng.uniform(0.02, 0.25)
    try:
        run = analyse(write(x, rate=RATE))
    except NothingFoundError:
        return
    # Some thirty syllables: hardly any may pass for a string, and the rest is said to be noise.
    assert len(_keys(run)) <= 2
    assert len(run.unexpected) >= 10


@pytest.mark.parametrize(
    ("name", "subtype", "tolerance_cents"),
    [
        ("eight.wav", "PCM_U8", 3.0),  # 48 dB of range
        ("sixteen.wav", "PCM_16", 0.2),
        ("float.wav", "FLOAT", 0.2),
        ("double.wav", "DOUBLE", 0.2),
        ("vorbis.ogg", "VORBIS", 0.5),
        ("big.aiff", "PCM_24", 0.2),
    ],
)
def test_formats(
    three_notes: np.ndarray, write: Write, tones: ModuleType, name: str, subtype: str,
    tolerance_cents: float,
) -> None:  # fmt: skip
    run = analyse(write(three_notes, rate=RATE, name=name, subtype=subtype))
    assert _keys(run) == [48, 64, 84]
    for strike in run.strikes:
        assert strike.f1_hz is not None
        off = 1200 * np.log2(strike.f1_hz / tones.equal_tempered_hz(strike.midi))
        assert abs(off) < tolerance_cents


@pytest.mark.parametrize(("channels", "used"), [(1, "mono"), (2, "right"), (6, "channel 4")])
def test_channels(three_notes: np.ndarray, write: Write, channels: int, used: str) -> None:
    rng = np.random.default_rng(73)
    sound = 1e-4 * rng.standard_normal((three_notes.size, channels))
    sound[:, {1: 0, 2: 1, 6: 3}[channels]] += three_notes
    run = analyse(write(sound, rate=RATE))
    assert _keys(run) == [48, 64, 84]
    assert run.channels == channels
    assert run.channel_use == used


def test_samples_that_are_no_numbers(three_notes: np.ndarray, write: Write) -> None:
    broken = three_notes.copy()
    broken[100:110] = np.nan
    broken[40000] = np.inf
    broken[70000:70003] = -np.inf
    run = analyse(write(broken, rate=RATE, subtype="FLOAT"))
    assert [key for key in _keys(run) if key in (48, 64, 84)] == [48, 64, 84]
    assert run.problems != ()
    with pytest.raises(ToneappError) as error:
        analyse(write(np.full(RATE, np.nan), rate=RATE, subtype="FLOAT"))
    _one_line(error)


@pytest.mark.parametrize("rate", [8000, 11025, 192000])
def test_rates(tones: ModuleType, write: Write, rate: int) -> None:
    rng = np.random.default_rng(74)
    blows = tones.evenly_spaced([45, 64, 81], first_s=0.4, gap_s=1.0, hold_s=0.7)
    run = analyse(write(tones.struck_run(blows, rate_hz=rate, rng=rng), rate=rate))
    assert _keys(run) == [45, 64, 81]
    assert run.sample_rate_hz == rate
    said = any(f"{rate} Hz" in problem for problem in run.problems)
    assert said == (rate < 32000)
    for strike in run.strikes:
        assert strike.f1_hz is not None
        off = 1200 * np.log2(strike.f1_hz / tones.equal_tempered_hz(strike.midi))
        assert abs(off) < 0.5


@pytest.mark.parametrize("rate", [4000, 384000])
def test_rates_that_are_too_low_or_too_high(write: Write, rate: int) -> None:
    with pytest.raises(AudioFileError) as error:
        analyse(write(0.1 * np.ones(rate // 4), rate=rate))
    assert f"{rate}" in _one_line(error)


def test_a_constant_offset_changes_nothing(three_notes: np.ndarray, write: Write) -> None:
    plain = analyse(write(three_notes, rate=RATE, subtype="FLOAT"))
    offset = analyse(write(three_notes + 0.25, rate=RATE, subtype="FLOAT"))
    assert _keys(offset) == _keys(plain)
    for one, other in zip(plain.strikes, offset.strikes, strict=True):
        assert one.f1_hz is not None
        assert other.f1_hz == pytest.approx(one.f1_hz, rel=1e-5)
        assert other.level_db == pytest.approx(one.level_db, abs=0.1)
        assert other.peak_dbfs == pytest.approx(one.peak_dbfs, abs=0.1)


def test_clipped_samples_are_said(three_notes: np.ndarray, write: Write) -> None:
    run = analyse(write(np.clip(8.0 * three_notes, -1.0, 1.0), rate=RATE))
    assert _keys(run) == [48, 64, 84]
    assert all(Flag.CLIPPED in strike.flags for strike in run.strikes)
    assert any("clipped" in problem for problem in run.problems)
    # Pitch does not suffer from it.
    assert all(strike.cents is not None and abs(strike.cents) < 1.0 for strike in run.strikes)


@pytest.mark.parametrize("midi", [21, 60, 108])
def test_one_note_only(tones: ModuleType, write: Write, midi: int) -> None:
    rng = np.random.default_rng(75)
    x = tones.struck_run([tones.Struck(midi=midi, onset_s=0.5, hold_s=1.0)], rate_hz=RATE, rng=rng)
    run = analyse(write(x, rate=RATE))
    assert _keys(run) == [midi]
    assert len(run.notes) == 1
    assert run.evenness.level_db is None
    assert run.evenness.flags != ()


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read everything"
)
def test_a_file_that_may_not_be_read(three_notes: np.ndarray, write: Write) -> None:
    path = write(three_notes, rate=RATE)
    path.chmod(0o000)
    try:
        with pytest.raises(AudioFileError) as error:
            analyse(path)
    finally:
        path.chmod(0o600)
    assert path.name in _one_line(error)


def test_a_file_that_the_system_refuses(
    three_notes: np.ndarray, write: Write, monkeypatch: pytest.MonkeyPatch
) -> None:
    # As above, for those who may read everything: whichever way the file is opened, it fails.
    path = write(three_notes, rate=RATE)

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(soundfile.SoundFile, "__init__", refuse)
    monkeypatch.setattr(soundfile.SoundFile, "__del__", lambda _self: None)
    monkeypatch.setattr("builtins.open", refuse)
    monkeypatch.setattr("os.open", refuse)
    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(ToneappError) as error:
        analyse(path)
    assert path.name in _one_line(error)


@settings(max_examples=40)
@given(data=st.binary(max_size=3000), head=st.sampled_from(["none", "wav", "flac"]))
def test_any_bytes_give_a_sentence_or_a_result(
    data: bytes, head: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("bytes")
    path = folder / "any.wav"
    if head != "none":
        kind = {"wav": "WAV", "flac": "FLAC"}[head]
        soundfile.write(path, np.zeros(400), 8000, format=kind)
        data = path.read_bytes()[:44] + data
    path.write_bytes(data)
    sentence = ""
    try:
        _keys(analyse(path))
    except ToneappError as exc:
        sentence = str(exc)
    assert "\n" not in sentence
