"""The command line has its picture drawn by a second program."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from toneapp.cli import main
from toneapp.cli.picture import draw_picture
from toneapp.errors import OutputError
from toneapp.results import RunResult

PNG_START = b"\x89PNG\r\n\x1a\n"


@pytest.mark.parametrize("name", ["r.jpg", "r.svg", "r", "r.png.pdf"])
def test_a_name_of_another_kind_of_picture_is_refused(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / name
    assert main(["analyse", "run.flac", "--quiet", "--picture", str(target)]) == 1
    assert capsys.readouterr().err == f"toneapp: {target} names no picture; let it end in .png\n"
    assert not target.exists()


@pytest.mark.usefixtures("measured")
def test_a_picture_is_drawn(tmp_path: Path) -> None:
    assert main(["analyse", "run.flac", "--quiet", "--picture", str(tmp_path / "r.png")]) == 0
    assert (tmp_path / "r.png").read_bytes().startswith(PNG_START)


def test_what_the_drawing_program_says_is_passed_on(
    tmp_path: Path, run_of_three: Callable[..., RunResult]
) -> None:
    with pytest.raises(OutputError, match="the folder does not exist"):
        draw_picture(run_of_three(), tmp_path / "none" / "r.png")


def test_a_drawing_program_that_does_not_start_is_said(
    tmp_path: Path, run_of_three: Callable[..., RunResult], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "executable", str(tmp_path / "none"))
    with pytest.raises(OutputError, match="could not be drawn"):
        draw_picture(run_of_three(), tmp_path / "r.png")
