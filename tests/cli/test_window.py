"""``toneapp`` without words opens the window, or says in one line why it cannot."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Sequence

import pytest

from toneapp.cli import main
from toneapp.cli.window import open_window
from toneapp.errors import OutputError


class Programs:
    """Stands in for starting programs: notes the words, ends with a code."""

    def __init__(self, code: int) -> None:
        self.code = code
        self.started: list[Sequence[str]] = []

    def run(self, words: Sequence[str], *, check: bool) -> subprocess.CompletedProcess[str]:
        assert not check
        self.started.append(words)
        return subprocess.CompletedProcess(words, self.code)


def test_without_words_the_window_opens(monkeypatch: pytest.MonkeyPatch) -> None:
    programs = Programs(0)
    monkeypatch.setattr(subprocess, "run", programs.run)
    monkeypatch.setenv("QT_QPA_PLATFORM", "offscreen")
    assert main([]) == 0
    assert programs.started == [[sys.executable, "-m", "toneapp.desktop"]]


def test_a_window_that_fails_is_told_in_one_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(subprocess, "run", Programs(-6).run)
    monkeypatch.setenv("QT_QPA_PLATFORM", "offscreen")
    assert main([]) == 1
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "code -6" in said


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="always has a screen")
def test_without_a_screen_nothing_is_started(monkeypatch: pytest.MonkeyPatch) -> None:
    programs = Programs(0)
    monkeypatch.setattr(subprocess, "run", programs.run)
    with pytest.raises(OutputError, match="no screen"):
        open_window(environment={"DISPLAY": ""})
    assert programs.started == []
