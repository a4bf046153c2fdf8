"""Repetition runs from the file: keys named, folders, and what cannot be measured."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from toneapp.analysis import RepetitionRun, analyse_repetition
from toneapp.errors import InputError, NothingFoundError
from toneapp.evenness import SluggishReason
from toneapp.keyboard import Compass, KeyboardLayout
from toneapp.results import Flag
from toneapp.simulate import PianoSpec, Room, make_piano, render, repetition_plan

RATE = 32000
KEYS = (48, 53, 58, 63, 68, 73, 78, 83)
SLOW, MISSING = 63, 73


@pytest.fixture(scope="module")
def piano() -> PianoSpec:
    return make_piano(np.random.default_rng(3), kind="upright")


@pytest.fixture(scope="module")
def run_file(piano: PianoSpec, write: Callable[..., Path]) -> Path:
    """Eight keys in turn; one is slow, one misses four blows."""
    rng = np.random.default_rng(4)
    blows, now = [], 1.0
    for midi in KEYS:
        plan = repetition_plan(
            midi, rng=rng, strikes=16, rate_per_s=4.6 if midi == SLOW else 7.5, start_s=now,
            missed=(4, 7, 10, 13) if midi == MISSING else (), spacing_scatter=0.04,
        )  # fmt: skip
        blows += plan
        now = plan[-1].onset_s + 1.4
    run = render(piano, blows, Room(t60_s=0.4, snr_db=52.0), rng=rng, sample_rate_hz=RATE)
    return write(run.audio, rate=RATE, name="fast keys.flac", subtype="PCM_24")


@pytest.fixture(scope="module")
def run(run_file: Path) -> RepetitionRun:
    return analyse_repetition(run_file)


def test_every_key_is_named_in_its_order(run: RepetitionRun) -> None:
    assert [key.midi for key in run.keys] == list(KEYS)
    assert [key.blows for key in run.keys] == [12 if midi == MISSING else 16 for midi in KEYS]
    assert run.source == "fast keys.flac"
    assert run.sample_rate_hz == RATE


def test_the_slow_key_and_the_one_that_misses_are_listed(run: RepetitionRun) -> None:
    listed = {item.midi: item.reasons for item in run.judgement.sluggish}
    assert listed[SLOW] == (SluggishReason.SLOW,)
    assert SluggishReason.MISSED_BLOWS in listed[MISSING]
    assert set(listed) == {SLOW, MISSING}


def test_keys_can_be_given(run_file: Path) -> None:
    given = tuple(midi + 1 for midi in KEYS)
    run = analyse_repetition(run_file, keys=given)
    assert tuple(key.midi for key in run.keys) == given
    assert all(Flag.LABEL_GIVEN in key.flags for key in run.keys)
    with pytest.raises(InputError, match="2 keys were named, but 8 series"):
        analyse_repetition(run_file, keys=(60, 61))


def test_a_folder_with_a_file_a_key(piano: PianoSpec, tmp_path: Path) -> None:
    import soundfile

    rng = np.random.default_rng(5)
    for midi, name in ((60, "C4.wav"), (67, "second.wav")):
        plan = repetition_plan(midi, rng=rng, strikes=12)
        sound = render(piano, plan, Room(t60_s=0.4), rng=rng, sample_rate_hz=RATE).audio
        soundfile.write(tmp_path / name, sound, RATE, subtype="PCM_24")
    soundfile.write(tmp_path / "third.wav", np.zeros(2 * RATE), RATE, subtype="PCM_16")
    shares: list[float] = []
    run = analyse_repetition(tmp_path, progress=shares.append)
    assert {key.source: key.midi for key in run.keys} == {"C4.wav": 60, "second.wav": 67}
    assert [Flag.LABEL_GIVEN in key.flags for key in run.keys] == [True, False]
    assert run.problems == ("no series of fast blows in third.wav",)
    assert run.judgement.flags == (Flag.TOO_FEW_NOTES,)
    assert shares[-1] == 1.0


def test_another_pitch_of_the_instrument(write: Callable[..., Path]) -> None:
    rng = np.random.default_rng(6)
    flat = make_piano(rng, kind="upright", a4_hz=415.0)
    plan = repetition_plan(64, rng=rng, strikes=12)
    sound = render(flat, plan, Room(t60_s=0.4), rng=rng, sample_rate_hz=RATE).audio
    path = write(sound, rate=RATE, subtype="PCM_24")
    (key,) = analyse_repetition(path, a4_hz=415.0).keys
    assert key.midi == 64


def test_the_compass_limits_the_keys(run_file: Path) -> None:
    layout = KeyboardLayout(compass=Compass.parse("A0-C8"), last_damper_midi=88)
    assert len(analyse_repetition(run_file, layout=layout).keys) == len(KEYS)


def test_nothing_found_is_said(write: Callable[..., Path]) -> None:
    rng = np.random.default_rng(7)
    path = write(1e-3 * rng.standard_normal(3 * RATE), rate=RATE, subtype="PCM_16")
    with pytest.raises(NothingFoundError, match="strike one key six times or more"):
        analyse_repetition(path)


def test_a_long_recording_is_read_in_parts(
    run_file: Path, run: RepetitionRun, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("toneapp.analysis.repetition.CHUNK_S", 14.0)
    monkeypatch.setattr("toneapp.analysis.repetition.OVERLAP_S", 6.0)
    again = analyse_repetition(run_file)
    assert [key.midi for key in again.keys] == list(KEYS)
    for one, two in zip(run.keys, again.keys, strict=True):
        assert two.times_s == pytest.approx(one.times_s, abs=0.01)
