"""Any sound file is read in stretches, or refused in one line."""

from __future__ import annotations

import os
import pickle
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from toneapp.audio import list_sound_files, open_sound, write_sound
from toneapp.errors import AudioFileError, InputError, OutputError, ToneappError

RATE_HZ = 48_000


def tone(seconds: float, *, rate_hz: int = RATE_HZ, hz: float = 440.0) -> np.ndarray:
    """A sine of amplitude 0.5, shape (n,)."""
    return 0.5 * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate_hz)) / rate_hz)


@pytest.mark.parametrize(
    ("name", "subtype", "tolerance"),
    [
        ("a.wav", "PCM_16", 2**-15),
        ("a.wav", "PCM_24", 2**-23),
        ("a.wav", "PCM_U8", 2**-7),  # 8 bits: half a step of 1/128 rounding, plus the offset
        ("a.wav", "FLOAT", 1e-7),
        ("a.wav", "DOUBLE", 1e-7),
        ("a.flac", "PCM_24", 2**-23),
        ("a.aiff", "PCM_16", 2**-15),
        ("a.caf", "PCM_24", 2**-23),
        ("a.au", "PCM_16", 2**-15),
        ("a.w64", "FLOAT", 1e-7),
        ("a.ogg", "VORBIS", None),
        ("a.mp3", "MPEG_LAYER_III", None),
    ],
)
def test_formats_are_read_at_any_place(
    tmp_path: Path, name: str, subtype: str, tolerance: float | None
) -> None:
    wave = tone(3.0)
    soundfile.write(tmp_path / name, wave, RATE_HZ, subtype=subtype)
    with open_sound(tmp_path / name) as sound:
        assert sound.sample_rate_hz == RATE_HZ
        assert sound.frames == pytest.approx(len(wave), abs=2400)  # lossy coders pad
        assert sound.channel_use == "mono"
        assert sound.problems == ()
        whole = sound.read(0, sound.frames)
        assert whole.dtype == np.float32
        if tolerance is None:  # lossy: compare with one read of everything by the library itself
            wave, _ = soundfile.read(tmp_path / name)
        assert np.max(np.abs(whole - wave)) <= (tolerance or 1e-6)
        for start, stop in ((100_000, 100_500), (7, 50_000), (0, 10), (sound.frames - 5, 10**9)):
            assert np.array_equal(sound.read(start, stop), whole[start:stop])
        assert sound.read(10**9, 10**9 + 5).shape == (0,)


@pytest.mark.parametrize("name", ["a.wav", "a.ogg"])
def test_blocks_cover_the_file_once(tmp_path: Path, name: str) -> None:
    soundfile.write(tmp_path / name, tone(1.0), RATE_HZ)
    with open_sound(tmp_path / name) as sound:
        whole = sound.read(0, sound.frames)
        assert np.array_equal(np.concatenate([block for _, block in sound.blocks(1000)]), whole)
        for start, block in sound.blocks(1000, overlap=300):
            assert np.array_equal(block, whole[start : start + 1000])
        assert start + len(block) == sound.frames


@pytest.mark.parametrize(("start", "stop"), [(-1, 5), (5, 4)])
def test_bounds_out_of_order_are_a_fault_of_the_caller(
    tmp_path: Path, start: int, stop: int
) -> None:
    soundfile.write(tmp_path / "a.wav", tone(0.1), RATE_HZ)
    with open_sound(tmp_path / "a.wav") as sound, pytest.raises(ValueError, match="0 <= start"):
        sound.read(start, stop)


@pytest.mark.parametrize("name", ["a.wav", "a.ogg"])
def test_another_process_reads_the_same_through_the_handle(tmp_path: Path, name: str) -> None:
    soundfile.write(tmp_path / name, np.stack([tone(1.0), 0.1 * tone(1.0)], axis=1), RATE_HZ)
    with open_sound(tmp_path / name) as sound:
        handle = pickle.loads(pickle.dumps(sound.handle))
        with handle.open() as again:
            assert np.array_equal(again.read(0, 48_000), sound.read(0, 48_000))
        # The second reader does not take the first one's decoded copy away.
        assert len(sound.read(0, 48_000)) == 48_000


def test_the_decoded_copy_is_removed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    soundfile.write(tmp_path / "a.ogg", tone(0.5), RATE_HZ)
    with open_sound(tmp_path / "a.ogg"):
        assert len(list(tmp_path.iterdir())) == 2
    assert [path.name for path in tmp_path.iterdir()] == ["a.ogg"]
    with pytest.raises(InputError):
        open_sound(tmp_path / "a.ogg", channel="7")
    assert [path.name for path in tmp_path.iterdir()] == ["a.ogg"]


@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.ogg"])
@pytest.mark.parametrize(
    ("channel", "use", "amplitude"),
    [
        ("auto", "right", 0.4),
        ("left", "left", 0.1),
        ("2", "right", 0.4),
        ("average", "average", 0.25),
    ],
)
def test_channel_choice(
    tmp_path: Path, name: str, channel: str, use: str, amplitude: float
) -> None:
    stereo = np.stack([0.2 * tone(2.0), 0.8 * tone(2.0)], axis=1)
    soundfile.write(tmp_path / name, stereo, RATE_HZ)
    with open_sound(tmp_path / name, channel=channel) as sound:
        assert sound.channel_use == use
        assert sound.channels == 2
        level = np.sqrt(2 * np.mean(sound.read(10_000, 80_000) ** 2))
        assert level == pytest.approx(amplitude, rel=0.03)  # lossy coding of the third format


def test_the_loudest_of_six_channels_is_found_though_it_sounds_late(tmp_path: Path) -> None:
    six = 1e-3 * np.random.default_rng(1).standard_normal((4 * RATE_HZ, 6))
    six[-RATE_HZ:, 4] += tone(1.0)
    soundfile.write(tmp_path / "six.wav", six, RATE_HZ)
    with open_sound(tmp_path / "six.wav") as sound:
        assert (sound.channels, sound.channel_use) == (6, "channel 5")
    with open_sound(tmp_path / "six.wav", channel="3") as sound:
        assert sound.channel_use == "channel 3"


@pytest.mark.parametrize("channel", ["3", "0", "right", "middle", "-1", "²"])
def test_a_channel_that_is_not_there_is_said(tmp_path: Path, channel: str) -> None:
    soundfile.write(tmp_path / "a.wav", tone(0.1), RATE_HZ)
    with pytest.raises(InputError, match="channel"):
        open_sound(tmp_path / "a.wav", channel=channel)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 192_000])
def test_rates_from_8_to_192_khz_are_read_as_they_are(tmp_path: Path, rate_hz: int) -> None:
    soundfile.write(tmp_path / "a.wav", tone(0.5, rate_hz=rate_hz), rate_hz)
    with open_sound(tmp_path / "a.wav") as sound:
        assert (sound.sample_rate_hz, sound.duration_s) == (rate_hz, 0.5)
        assert len(sound.problems) == (1 if rate_hz < 32_000 else 0)
        assert all("low" in problem for problem in sound.problems)


@pytest.mark.parametrize("rate_hz", [7_999, 192_001, 4_000])
def test_other_rates_are_refused(tmp_path: Path, rate_hz: int) -> None:
    soundfile.write(tmp_path / "a.wav", tone(0.1, rate_hz=rate_hz), rate_hz)
    with pytest.raises(AudioFileError, match=f"{rate_hz} Hz"):
        open_sound(tmp_path / "a.wav")


def test_samples_that_are_no_numbers_become_silence_and_a_problem(tmp_path: Path) -> None:
    wave = tone(1.0)
    wave[[10, 20_000]] = np.nan
    wave[500] = np.inf
    wave[501] = -1e30
    soundfile.write(tmp_path / "a.wav", wave, RATE_HZ, subtype="FLOAT")
    with open_sound(tmp_path / "a.wav") as sound:
        assert sound.problems == (
            "3 samples were damaged (not a number) and read as silence",
            "1 sample was damaged (1e+30 times full scale) and read as silence",
        )
        read = sound.read(0, RATE_HZ)
    expected = np.where(np.isfinite(wave) & (np.abs(wave) < 2), wave, 0.0)
    assert np.allclose(read, expected, atol=1e-7)


@pytest.mark.parametrize("keep", [0.5, 0.9, 0.999])
def test_a_truncated_flac_is_read_as_far_as_it_goes(tmp_path: Path, keep: float) -> None:
    noise = 0.1 * np.random.default_rng(2).standard_normal(4 * RATE_HZ)  # does not compress
    soundfile.write(tmp_path / "a.flac", noise, RATE_HZ, subtype="PCM_24")
    data = (tmp_path / "a.flac").read_bytes()
    (tmp_path / "cut.flac").write_bytes(data[: int(keep * len(data))])
    with open_sound(tmp_path / "cut.flac") as sound:
        # Two blocks of 4096 frames, one cut and one not handed out, may be lost at the end.
        assert keep * 4 - 2 * 4096 / RATE_HZ - 0.01 < sound.duration_s <= keep * 4
        assert np.allclose(sound.read(0, sound.frames), noise[: sound.frames], atol=2**-23)
        assert len(sound.problems) == 1
        assert "cut short" in sound.problems[0]


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
@pytest.mark.parametrize(("format_", "channels"), [("WAV", 1), ("WAVEX", 2)])
def test_a_truncated_wav_is_read_and_told(
    tmp_path: Path, subtype: str, format_: str, channels: int
) -> None:
    noise = 0.1 * np.random.default_rng(2).standard_normal((4 * RATE_HZ, channels))
    whole, cut = tmp_path / "a.wav", tmp_path / "cut.wav"
    soundfile.write(whole, noise, RATE_HZ, subtype=subtype, format=format_)
    data = whole.read_bytes()
    cut.write_bytes(data[: len(data) // 2 + 1])
    with open_sound(whole) as sound:
        assert sound.problems == ()
    with open_sound(cut) as sound:
        assert sound.duration_s == pytest.approx(2.0, abs=0.01)
        assert sound.problems == ("cut.wav is cut short: 2.0 s of 4.0 s could be read",)


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX systems")
@pytest.mark.parametrize(("name", "lost_s"), [("a.wav", 0.0), ("a.flac", 0.2)])
def test_a_recording_whose_program_was_killed_is_read(
    tmp_path: Path, name: str, lost_s: float
) -> None:
    program = f"""
        import os, signal, numpy, soundfile
        file = soundfile.SoundFile({str(tmp_path / name)!r}, "w", 48000, 1, "PCM_24")
        wave = 0.1 * numpy.random.default_rng(3).standard_normal(4800)
        for _ in range(20):
            file.write(wave)
        os.kill(os.getpid(), signal.SIGKILL)
    """
    done = subprocess.run([sys.executable, "-c", textwrap.dedent(program)], check=False)
    assert done.returncode == -signal.SIGKILL
    with open_sound(tmp_path / name) as sound:
        assert 2.0 - lost_s <= sound.duration_s <= 2.0
        wave = 0.1 * np.random.default_rng(3).standard_normal(4800)
        assert np.allclose(sound.read(4800, 9600), wave, atol=2**-23)


def no_samples(path: Path) -> None:
    soundfile.write(path, np.zeros(0), RATE_HZ)


@pytest.mark.parametrize(
    ("name", "make", "said"),
    [
        ("none.wav", lambda _: None, "does not exist"),
        ("a.wav", lambda path: path.write_bytes(b""), "is empty"),
        ("a.wav", lambda path: path.write_text("hello"), "not a sound file"),
        ("a.mp3", lambda path: path.write_bytes(bytes(range(256)) * 40), "sound"),
        ("a.raw", lambda path: path.write_bytes(bytes(1000)), "not a sound file"),
        ("a.wav", lambda path: path.mkdir(), "is a folder"),
        ("a.wav", no_samples, "holds no sound"),
        ("a.flac", no_samples, "is empty"),
        ("a.wav", lambda path: path.write_bytes(b"RIFF\x24\x00\x00\x00WAVEfmt "), "sound"),
    ],
)
def test_what_is_not_sound_is_refused_in_one_line(
    tmp_path: Path, name: str, make, said: str
) -> None:
    make(tmp_path / name)
    with pytest.raises(AudioFileError, match=said) as caught:
        open_sound(tmp_path / name)
    assert "\n" not in str(caught.value)


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="rights of POSIX systems")
def test_no_right_to_read_is_said(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", tone(0.1), RATE_HZ)
    (tmp_path / "a.wav").chmod(0)
    was_root = os.geteuid() == 0
    if was_root:  # root may read everything, so be somebody else for a moment
        os.seteuid(65534)
    try:
        with pytest.raises(AudioFileError, match="may not be read"):
            open_sound(tmp_path / "a.wav")
    finally:
        if was_root:
            os.seteuid(0)


@given(st.data())
def test_any_bytes_give_sound_or_one_line(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder = tmp_path_factory.mktemp("bytes")
    ending = data.draw(st.sampled_from([".wav", ".flac", ".aiff", ".ogg", ".mp3", ".au"]))
    path = folder / f"a{ending}"
    soundfile.write(path, tone(0.05), RATE_HZ)
    original = bytearray(path.read_bytes())
    for place, value in data.draw(
        st.lists(st.tuples(st.integers(0, len(original) - 1), st.integers(0, 255)), max_size=8)
    ):
        original[place] = value
    path.write_bytes(bytes(original[: data.draw(st.integers(0, len(original)))]))
    said = ""
    try:
        with open_sound(path) as sound:
            for _, block in sound.blocks(4096):
                assert np.all(np.isfinite(block))
                if sound.frames > 10**7:
                    break
    except ToneappError as error:
        said = str(error)
    assert "\n" not in said


def test_a_folder_is_listed_in_natural_order(tmp_path: Path) -> None:
    for name in ("note 10.wav", "note 2.WAV", "Note 1.flac", "readme.txt", ".hidden.wav", "b.ogg"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "folder.wav").mkdir()
    names = [path.name for path in list_sound_files(tmp_path)]
    assert names == ["b.ogg", "Note 1.flac", "note 2.WAV", "note 10.wav"]


def test_a_folder_without_sound_is_said(tmp_path: Path) -> None:
    (tmp_path / "readme.txt").write_text("x")
    with pytest.raises(AudioFileError, match="holds no sound file"):
        list_sound_files(tmp_path)
    with pytest.raises(AudioFileError, match="does not exist"):
        list_sound_files(tmp_path / "none")


@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.aiff", "a.ogg"])
def test_written_sound_reads_back(tmp_path: Path, name: str) -> None:
    wave = tone(2.0)
    write_sound(tmp_path / name, (wave[i : i + 7000] for i in range(0, len(wave), 7000)),
                sample_rate_hz=RATE_HZ)  # fmt: skip
    with open_sound(tmp_path / name) as sound:
        tolerance = 0.05 if name == "a.ogg" else 2**-22
        assert np.max(np.abs(sound.read(3000, 90_000) - wave[3000:90_000])) < tolerance


def test_written_sound_is_clipped_and_not_wrapped(tmp_path: Path) -> None:
    write_sound(tmp_path / "a.wav", 3.0 * tone(0.1), sample_rate_hz=RATE_HZ, bits=16)
    with open_sound(tmp_path / "a.wav") as sound:
        read = sound.read(0, 4800)
    assert np.allclose(read, np.clip(3.0 * tone(0.1), -1, 1), atol=2**-14)


def test_sound_that_cannot_be_written_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"ends in \.flac"):
        write_sound(tmp_path / "a.doc", tone(0.1), sample_rate_hz=RATE_HZ)
    with pytest.raises(OutputError, match="folder does not exist"):
        write_sound(tmp_path / "none" / "a.wav", tone(0.1), sample_rate_hz=RATE_HZ)
    assert list(tmp_path.iterdir()) == []


def test_whole_numbers_in_a_file_of_floats_are_called_by_their_name(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", 1e6 * tone(1.0), RATE_HZ, subtype="FLOAT")
    with pytest.raises(AudioFileError, match=r"\d{6,7} times full scale.*export it again"):
        open_sound(tmp_path / "a.wav")


def test_floats_beyond_full_scale_are_no_damage(tmp_path: Path) -> None:
    wave = 20.0 * tone(1.0)
    soundfile.write(tmp_path / "a.wav", wave, RATE_HZ, subtype="FLOAT")
    with open_sound(tmp_path / "a.wav") as sound:
        assert sound.problems == ()
        assert np.allclose(sound.read(0, RATE_HZ), wave, rtol=1e-6)
