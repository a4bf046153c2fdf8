from __future__ import annotations

import errno
from pathlib import Path

import numpy as np
import pytest
import soundfile
from invented import RATE_HZ, write_noise

from toneapp.errors import AudioFileError, Cancelled, LibraryError
from toneapp.library import Instrument, Library, Run
from toneapp.library.sound_store import SoundStore, sha256_of


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24"])
@pytest.mark.parametrize("channels", [1, 2, 3])
def test_integer_samples_come_back_exactly(tmp_path: Path, subtype: str, channels: int) -> None:
    rng = np.random.default_rng(3)
    samples = rng.integers(-(2**31), 2**31, (30_000, channels)).astype(np.int32)
    samples[:3] = np.array([-(2**31), 2**31 - 1, 0])[:, None]
    path = tmp_path / "run.wav"
    soundfile.write(path, samples, RATE_HZ, subtype=subtype)
    sound = SoundStore(tmp_path).take_in(path)
    first, _ = soundfile.read(path, dtype="int32", always_2d=True)
    kept, rate_hz = soundfile.read(sound.temporary, dtype="int32", always_2d=True)
    np.testing.assert_array_equal(kept, first)
    assert (rate_hz, sound.scale, sound.channels) == (RATE_HZ, 1.0, channels)
    assert soundfile.info(sound.temporary).subtype == "PCM_24"


@pytest.mark.parametrize(("peak", "scale"), [(0.9, 1.0), (1.0, 1.0), (1.3, 2.0), (3.9, 4.0)])
def test_float_samples_beyond_full_scale_are_divided_and_not_clipped(
    tmp_path: Path, peak: float, scale: float
) -> None:
    rng = np.random.default_rng(4)
    samples = rng.uniform(-1, 1, 20_000).astype(np.float32) * np.float32(peak)
    samples[7] = -peak
    path = tmp_path / "loud.wav"
    soundfile.write(path, samples, RATE_HZ, subtype="FLOAT")
    sound = SoundStore(tmp_path).take_in(path)
    kept, _ = soundfile.read(sound.temporary, dtype="float64")
    assert sound.scale == scale
    # Half a step of 24 bits, or a whole one at +1.0, which has no step of its own.
    assert np.max(np.abs(kept * scale - samples)) <= scale * 2.0**-23


def test_a_float_recording_far_beyond_full_scale_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "wild.wav"
    soundfile.write(path, np.full(2000, 40.0, dtype=np.float32), RATE_HZ, subtype="FLOAT")
    with pytest.raises(AudioFileError, match="32 dB beyond full scale"):
        SoundStore(tmp_path).take_in(path)
    assert list((tmp_path / "audio").iterdir()) == []


def test_compressed_stereo_is_kept_as_it_decodes(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    path = tmp_path / "run.ogg"
    soundfile.write(path, 0.1 * rng.standard_normal((40_000, 2)), RATE_HZ)
    sound = SoundStore(tmp_path).take_in(path)
    decoded, _ = soundfile.read(path, dtype="float64")
    kept, _ = soundfile.read(sound.temporary, dtype="float64")
    assert kept.shape == decoded.shape
    assert np.max(np.abs(kept - decoded)) <= 2.0**-23
    assert sound.origin == "OGG VORBIS"


def test_more_channels_than_flac_has_are_refused(tmp_path: Path) -> None:
    path = write_noise(tmp_path / "many.wav", channels=9)
    with pytest.raises(AudioFileError, match="9 channels"):
        SoundStore(tmp_path).take_in(path)


def test_a_cancelled_import_leaves_nothing(
    library: Library, piano: Instrument, tmp_path: Path
) -> None:
    def stop(_share: float) -> None:
        raise Cancelled("stopped")

    with pytest.raises(Cancelled):
        library.runs.add(
            Run(instrument_id=piano.id), write_noise(tmp_path / "a.wav"), progress=stop
        )
    assert list((library.folder / "audio").iterdir()) == []
    assert library.runs.all() == ()


def test_a_full_disk_is_told_and_leaves_nothing(
    library: Library, piano: Instrument, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_file: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("toneapp.library.sound_store.os.fsync", full)
    with pytest.raises(LibraryError, match="is full"):
        library.runs.add(Run(instrument_id=piano.id), write_noise(tmp_path / "a.wav"))
    assert list((library.folder / "audio").iterdir()) == []


def test_the_same_sound_is_kept_once_and_stays_while_one_run_has_it(
    library: Library, piano: Instrument, tmp_path: Path
) -> None:
    sound = write_noise(tmp_path / "a.wav")
    first = library.runs.add(Run(instrument_id=piano.id), sound)
    second = library.runs.add(Run(instrument_id=piano.id), sound)
    files = list((library.folder / "audio").iterdir())
    assert len(files) == 1
    assert sha256_of(files[0])[0] == files[0].stem
    library.runs.remove(first)
    assert library.bin.empty() == 0
    assert files[0].is_file()
    library.runs.remove(second)
    size = files[0].stat().st_size
    assert library.bin.empty() == size
    assert not files[0].exists()
    assert library.check() == ()


def test_stale_unfinished_files_go_and_fresh_ones_stay(tmp_path: Path) -> None:
    import os
    import time

    store = SoundStore(tmp_path)
    old, new = store.new_temporary(), store.new_temporary()
    for path in (old, new):
        path.write_bytes(b"x")
    os.utime(old, (0, time.time() - 25 * 3600))
    assert store.remove_stale() == 1
    assert new.exists()
    assert not old.exists()
