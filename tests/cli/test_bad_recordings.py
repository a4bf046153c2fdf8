"""Whatever recording comes in: a result that fits the schema, or one clear line, and no wreckage.

The measuring itself is at work here, on a few simulated notes.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import soundfile

from toneapp.cli import main
from toneapp.interchange import run_schema
from toneapp.simulate import Room, chromatic_plan, make_piano, render

RATE_HZ = 48_000
KEYS = range(48, 54)
VALIDATOR = jsonschema.Draft202012Validator(run_schema())


@pytest.fixture(scope="module")
def six_notes() -> np.ndarray:
    """C3 to F3, peak at half of full scale, shape (n,)."""
    rng = np.random.default_rng(3)
    piano = make_piano(rng)
    blows = chromatic_plan(piano.compass, rng=rng, notes=KEYS, hold_s=1.2)
    run = render(piano, blows, Room(t60_s=0.3, snr_db=50.0), rng=rng)
    return np.asarray(run.audio * (0.5 / np.max(np.abs(run.audio))), dtype=np.float64)


def analyse(path: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, dict, str]:
    """Run the command; return its code, the JSON it wrote, and what it said in error."""
    before = set(path.parent.iterdir())
    out = path.parent / "out.json"
    words = ["analyse", str(path), "--jobs", "1", "--json", str(out)]
    code = main([*words, "--csv", str(path.parent / "out.csv")])
    said = capsys.readouterr()
    made = {item.name for item in set(path.parent.iterdir()) - before}
    if code == 0:
        assert made == {"out.json", "out.csv", "out-notes.csv"}
        assert said.err == ""
        data = json.loads(out.read_text(encoding="utf-8"))
        VALIDATOR.validate(data)
        assert "Traceback" not in said.out
        return code, data, ""
    assert code == 1
    assert made == set()
    assert said.out == ""
    assert said.err.startswith("toneapp: ")
    assert said.err.count("\n") == 1
    return code, {}, said.err


Make = Callable[[Path, np.ndarray], None]


def as_six_channels(path: Path, wave: np.ndarray) -> None:
    channels = [0.1 * wave, 0.1 * wave, 0.2 * wave, wave, 0.1 * wave, 0.0 * wave]
    soundfile.write(path, np.stack(channels, axis=1), RATE_HZ, subtype="PCM_24")


def with_damage(path: Path, wave: np.ndarray) -> None:
    # In the pauses, where a click cannot be taken for a part of a note.
    damaged = wave.copy()
    damaged[[100, 200, 300]] = [np.nan, np.inf, -np.inf]
    soundfile.write(path, damaged, RATE_HZ, subtype="FLOAT")


def resampled(path: Path, wave: np.ndarray) -> None:
    import scipy.signal

    up, down = (1, 6) if path.stem == "low" else (4, 1)
    other = scipy.signal.resample_poly(wave, up, down)
    soundfile.write(path, other, RATE_HZ * up // down, subtype="PCM_24")


def written_as(subtype: str | None, *, offset: float = 0.0) -> Make:
    def write(path: Path, wave: np.ndarray) -> None:
        soundfile.write(path, wave + offset, RATE_HZ, subtype=subtype)

    return write


def as_stereo(path: Path, wave: np.ndarray) -> None:
    soundfile.write(path, np.stack([wave, 0.3 * wave], axis=1), RATE_HZ)


@pytest.mark.parametrize(
    ("name", "make"),
    [
        ("plain.wav", written_as("PCM_24")),
        ("stereo.flac", as_stereo),
        ("six.wav", as_six_channels),
        ("damage.wav", with_damage),
        ("offset.wav", written_as("PCM_24", offset=0.2)),
        ("eight.wav", written_as("PCM_U8")),
        ("lossy.ogg", written_as(None)),
        ("low.wav", resampled),
        ("high.wav", resampled),
    ],
)
def test_recordings_of_every_kind_are_measured(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    six_notes: np.ndarray,
    name: str,
    make: Make,
) -> None:
    make(tmp_path / name, six_notes)
    code, data, said = analyse(tmp_path / name, capsys)
    assert (code, said) == (0, "")
    found = [strike["midi"] for strike in data["strikes"]]
    assert set(KEYS) <= set(found)
    if name == "damage.wav":
        assert any("3 samples were damaged" in problem for problem in data["problems"])
    if name == "low.wav":
        assert any("sampling rate of 8000 Hz is low" in problem for problem in data["problems"])
    if name == "six.wav":
        assert (data["channels"], data["channel_use"]) == (6, "channel 4")


def test_a_clipped_recording_is_measured_and_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], six_notes: np.ndarray
) -> None:
    soundfile.write(tmp_path / "a.wav", np.clip(4.0 * six_notes, -1, 1), RATE_HZ)
    _, data, _ = analyse(tmp_path / "a.wav", capsys)
    assert any("clipped" in strike["flags"] for strike in data["strikes"])
    assert any("clipped" in problem for problem in data["problems"])


def test_a_truncated_flac_is_measured_as_far_as_it_goes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], six_notes: np.ndarray
) -> None:
    soundfile.write(tmp_path / "whole.flac", six_notes, RATE_HZ, subtype="PCM_24")
    data = (tmp_path / "whole.flac").read_bytes()
    (tmp_path / "cut.flac").write_bytes(data[: len(data) // 2])
    _, result, _ = analyse(tmp_path / "cut.flac", capsys)
    assert 0 < len(result["strikes"]) < 6
    assert any("cut short" in problem for problem in result["problems"])


def test_one_note_only_is_measured_and_nothing_is_judged(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], six_notes: np.ndarray
) -> None:
    soundfile.write(tmp_path / "a.wav", six_notes[: int(2.4 * RATE_HZ)], RATE_HZ)
    _, data, _ = analyse(tmp_path / "a.wav", capsys)
    assert [strike["midi"] for strike in data["strikes"]] == [48]
    assert data["strikes"][0]["f1_hz"] is not None
    assert data["evenness"]["level_db"] is None
    assert "too_few_notes" in data["evenness"]["flags"]
    assert [note["raised"] for note in data["notes"]] == [[]]


def silence(path: Path) -> None:
    soundfile.write(path, np.zeros(5 * RATE_HZ), RATE_HZ)


def hiss(path: Path) -> None:
    soundfile.write(path, 0.01 * np.random.default_rng(4).standard_normal(5 * RATE_HZ), RATE_HZ)


def constant(path: Path) -> None:
    soundfile.write(path, np.full(3 * RATE_HZ, 0.5), RATE_HZ)


def ten_samples(path: Path) -> None:
    soundfile.write(path, np.full(10, 0.1), RATE_HZ)


def nothing_but_damage(path: Path) -> None:
    soundfile.write(path, np.full(3 * RATE_HZ, np.nan), RATE_HZ, subtype="FLOAT")


@pytest.mark.parametrize("make", [silence, constant, ten_samples, nothing_but_damage])
def test_sound_without_a_note_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], make: Callable[[Path], None]
) -> None:
    make(tmp_path / "a.wav")
    code, _, said = analyse(tmp_path / "a.wav", capsys)
    assert code == 1
    assert "no strike" in said


def test_hiss_is_not_taken_for_a_note_with_values(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hiss(tmp_path / "a.wav")
    _, data, _ = analyse(tmp_path / "a.wav", capsys)
    for strike in data.get("strikes", []):
        assert "quiet" in strike["flags"]
        assert strike["f1_hz"] is strike["prompt_t60_s"] is strike["brightness"] is None


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty"),
        (b"no sound\n" * 99, "not a sound file"),
        (bytes(9999), "not a sound file"),
    ],
)
def test_what_is_no_sound_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: bytes, said: str
) -> None:
    (tmp_path / "a.wav").write_bytes(content)
    assert said in analyse(tmp_path / "a.wav", capsys)[2]


def test_missing_files_and_empty_folders_are_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "does not exist" in analyse(tmp_path / "none.wav", capsys)[2]
    (tmp_path / "folder").mkdir()
    assert "holds no sound file" in analyse(tmp_path / "folder", capsys)[2]


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="rights of POSIX systems")
def test_no_right_to_read_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], six_notes: np.ndarray
) -> None:
    soundfile.write(tmp_path / "a.wav", six_notes[:RATE_HZ], RATE_HZ)
    tmp_path.chmod(0o755)
    (tmp_path / "a.wav").chmod(0)
    was_root = os.geteuid() == 0
    if was_root:  # root may read everything, so be somebody else for a moment
        os.seteuid(65534)
    try:
        code = main(["analyse", str(tmp_path / "a.wav"), "--jobs", "1"])
    finally:
        if was_root:
            os.seteuid(0)
    said = capsys.readouterr()
    assert (code, said.out) == (1, "")
    assert "may not be read" in said.err
    assert said.err.count("\n") == 1


def test_a_folder_of_single_notes_is_measured(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], six_notes: np.ndarray
) -> None:
    folder = tmp_path / "notes"
    folder.mkdir()
    soundfile.write(folder / "=1.wav", six_notes[: int(2.4 * RATE_HZ)], RATE_HZ)
    soundfile.write(folder / "2.flac", six_notes[int(2.4 * RATE_HZ) : int(4.2 * RATE_HZ)], RATE_HZ)
    code, data, _ = analyse(folder, capsys)
    assert code == 0
    assert {strike["source"] for strike in data["strikes"]} == {"=1.wav", "2.flac"}
    assert "'=1.wav" in (tmp_path / "out.csv").read_text(encoding="utf-8")


def test_labels_by_hand_name_the_strikes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], six_notes: np.ndarray
) -> None:
    soundfile.write(tmp_path / "a.wav", six_notes[: int(2.4 * RATE_HZ)], RATE_HZ)
    (tmp_path / "labels.csv").write_text("onset_s,note\n1.0,D3\n")
    words = ["analyse", str(tmp_path / "a.wav"), "--jobs", "1", "--json", "-"]
    assert main([*words, "--labels", str(tmp_path / "labels.csv")]) == 0
    (strike,) = json.loads(capsys.readouterr().out)["strikes"]
    assert strike["note"] == "D3"
    assert "label_given" in strike["flags"]
