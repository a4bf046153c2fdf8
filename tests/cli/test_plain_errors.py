"""What the user gets wrong is said in one line that names what to do and the right help."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from toneapp.cli import main

RATE_HZ = 16_000


@pytest.fixture
def said(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str]]:
    """Run a command that fails; return its code and its one line."""

    def run(*words: object) -> tuple[int, str]:
        code = main([str(word) for word in words])
        out = capsys.readouterr()
        assert code != 0
        assert out.out == ""
        assert out.err.startswith("toneapp: ")
        assert out.err.count("\n") == 1
        return code, out.err

    return run


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    """Two seconds of a decaying stiff string, E4."""
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    n = np.arange(1, 15)[:, None]
    hz = 329.63 * n * np.sqrt(1 + 5e-4 * n**2)
    tone = (np.cos(2 * np.pi * hz * t + n) * np.exp(-(1 + 0.2 * n) * t) / n).sum(axis=0)
    tone[:3000] = 0.0
    rng = np.random.default_rng(7)
    soundfile.write(tmp_path / "e4.wav", 0.2 * tone + 1e-4 * rng.standard_normal(t.size), RATE_HZ)
    return tmp_path / "e4.wav"


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["analyse"], "analyse: FILE_OR_FOLDER is missing (see toneapp analyse --help)"),
        (["analyse", ""], "the name is empty"),
        (["analyse", "a.wav", "--frob"], "--frob is not understood here (see toneapp analyse "),
        (["analyse", "a.wav", "b.wav"], "b.wav is not understood here (see toneapp analyse --h"),
        (["demo", "--frob"], "(see toneapp demo --help)"),
        (["instrument", "list", "--frob"], "(see toneapp instrument list --help)"),
        (["--frob"], "--frob is not understood here (see toneapp --help)"),
        (["analyze", "a.wav"], "no command 'analyze'; did you mean analyse? (see toneapp --help)"),
        (["xyzzy"], "no command 'xyzzy' (see toneapp --help)"),
        (["analyse", "a.wav", "--order", "up"], "one of ascending, descending, free, not 'up'"),
        (["analyse", "a.wav", "--compass", "C8-A0"], "write the lowest and the highest, such as"),
        (["analyse", "a.wav", "--compass", "H0-C8"], "write the lowest and the highest, such as"),
        (["analyse", "a.wav", "--last-damper", "X"], "--last-damper: 'X' is not a note name"),
        (["compare", "a.json"], "RUN must be a number, not 'a.json' (see toneapp compare --help)"),
    ],
)
def test_words_that_are_not_understood(
    said: Callable[..., tuple[int, str]], words: list[str], expected: str
) -> None:
    code, line = said(*words)
    assert code == 2
    assert expected in line


def test_a_note_that_the_keyboard_has_not(
    said: Callable[..., tuple[int, str]], recording: Path
) -> None:
    code, line = said("analyse", recording, "--last-damper", "C9")
    assert code == 1
    assert "--last-damper C9 is no key of A0-C8" in line
    assert "--compass" in line


def test_a_label_beyond_the_end_is_refused_with_its_line(
    said: Callable[..., tuple[int, str]], recording: Path, tmp_path: Path
) -> None:
    labels = tmp_path / "labels.csv"
    labels.write_text("onset_s,note\n0.19,E4\n\n999,A4\n", encoding="utf-8")
    code, line = said("analyse", recording, "--jobs", "1", "--labels", labels)
    assert code == 1
    assert "labels.csv, line 4: 999 s lies beyond the end of the recording (2.00 s)" in line


def test_a_label_at_the_very_end_is_taken(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    labels = tmp_path / "labels.csv"
    labels.write_text("onset_s,note\n0.19,E4\n2.01,-\n", encoding="utf-8")
    assert main(["analyse", str(recording), "--jobs", "1", "--labels", str(labels)]) == 0
    assert capsys.readouterr().err == ""


def test_a_stub_of_a_recording_says_that_it_is_cut(
    said: Callable[..., tuple[int, str]], tmp_path: Path
) -> None:
    rng = np.random.default_rng(8)
    soundfile.write(tmp_path / "whole.flac", 0.1 * rng.standard_normal(20 * RATE_HZ), RATE_HZ)
    (tmp_path / "cut.flac").write_bytes((tmp_path / "whole.flac").read_bytes()[:30_000])
    _, line = said("analyse", tmp_path / "cut.flac", "--jobs", "1")
    assert "holds no strike" in line
    assert "cut short" in line


def test_one_second_with_one_note_is_measured(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sound, rate = soundfile.read(recording)
    soundfile.write(tmp_path / "one.wav", sound[2000 : 2000 + rate], rate)
    assert main(["analyse", str(tmp_path / "one.wav"), "--jobs", "1"]) == 0
    assert "1 key of A0–C8" in capsys.readouterr().out
