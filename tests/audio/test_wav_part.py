"""Parts of a recording: readable while they grow, and after the program has died."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.io.wavfile
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from toneapp.audio.capture.wav_part import HEADER_BYTES, WavPart, repair_part
from toneapp.errors import AudioFileError


def _noise(frames: int, channels: int = 1) -> np.ndarray:
    return np.random.default_rng(3).standard_normal((frames, channels)).astype(np.float32)


@pytest.mark.parametrize("channels", [1, 2])
def test_a_closed_part_is_read_exactly_by_others(tmp_path, channels):
    sound = _noise(5000, channels)
    part = WavPart(tmp_path / "a.wav", sample_rate_hz=44_100, channels=channels)
    part.append(sound[:1234])
    part.append(sound[1234:])
    part.close()
    read, rate = soundfile.read(part.path, dtype="float32", always_2d=True)
    assert rate == 44_100
    assert np.array_equal(read, sound)
    rate, read = scipy.io.wavfile.read(part.path)
    assert rate == 44_100
    assert np.array_equal(read.reshape(-1, channels), sound)
    facts = repair_part(part.path)
    assert (facts.frames, facts.channels, facts.was_repaired) == (5000, channels, False)


@given(cut=st.integers(0, 400))
def test_a_part_cut_anywhere_keeps_all_whole_frames(tmp_path_factory, cut):
    folder = tmp_path_factory.mktemp("part")
    sound = _noise(40, 2)
    part = WavPart(folder / "a.wav", sample_rate_hz=48_000, channels=2)
    part.append(sound)  # the header still says that there is nothing
    data = part.path.read_bytes()
    path = folder / "cut.wav"
    path.write_bytes(data[:cut])
    part.close()
    facts = repair_part(path)
    whole = max(min(cut, len(data)) - HEADER_BYTES, 0) // 8
    if whole == 0:
        assert facts is None
        return
    assert facts.frames == whole
    assert facts.was_repaired
    assert np.array_equal(soundfile.read(path, dtype="float32")[0], sound[:whole])
    assert scipy.io.wavfile.read(path)[1].shape == (whole, 2)


def test_the_header_is_right_after_each_sync(tmp_path):
    part = WavPart(tmp_path / "a.wav", sample_rate_hz=48_000, channels=1)
    for seconds in (1, 2):
        part.append(_noise(48_000))
        part.sync()
        assert soundfile.info(part.path).frames == seconds * 48_000
        assert scipy.io.wavfile.read(part.path)[1].size == seconds * 48_000
    part.close()


def test_another_kind_of_file_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "note.wav"
    soundfile.write(path, np.zeros(1000), 48_000, subtype="PCM_16")
    before = path.read_bytes()
    with pytest.raises(AudioFileError, match="no recording that was made here"):
        repair_part(path)
    assert path.read_bytes() == before


def test_a_file_of_zeros_from_a_power_cut_holds_nothing(tmp_path):
    path = tmp_path / "zeros.wav"
    path.write_bytes(bytes(4096))
    assert repair_part(path) is None


def test_a_missing_part_says_so(tmp_path):
    with pytest.raises(AudioFileError, match="cannot be repaired"):
        repair_part(tmp_path / "gone.wav")


def test_a_part_that_lost_its_name_can_still_be_read_back(tmp_path):
    sound = _noise(3000)
    part = WavPart(tmp_path / "a.wav", sample_rate_hz=48_000, channels=1)
    part.append(sound)
    assert part.is_in_place()
    part.path.unlink()
    assert not part.is_in_place()
    assert np.array_equal(part.read_back(500, 1000), sound[500:1500])
    part.close()
