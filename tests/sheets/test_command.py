"""``toneapp sheet``: files that it writes, and how it fails."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from toneapp.cli import main
from toneapp.library import Library

Say = Callable[..., str]


@pytest.fixture
def say(
    workshop: Library, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Say:
    """Carry out one command on the workshop's library; returns what it printed."""
    monkeypatch.setenv("TONEAPP_LIBRARY", str(workshop.folder))

    def carry_out(*words: str, code: int = 0) -> str:
        capsys.readouterr()
        found = main(["sheet", *words])
        said = capsys.readouterr()
        assert found == code, said.err
        if code == 0:
            assert said.err == ""
            return said.out
        assert said.err.count("\n") == 1
        return said.err

    return carry_out


@pytest.mark.parametrize("words", ["", "compare", "change", "worklist", "worksheet", "settings"])
def test_every_command_has_help(words: str, say: Say) -> None:
    assert f"toneapp sheet {words}".rstrip() in say(*words.split(), "--help")


@pytest.mark.parametrize(
    ("words", "code", "part"),
    [
        ([], 2, "WHAT"),
        (["compare", "1", "3"], 1, "say where to write"),
        (["compare", "1", "--out", "x.pdf"], 1, "from 2 to 6"),
        (["compare", "1", "1", "--out", "x.pdf"], 1, "twice"),
        (["compare", "1", "99", "--out", "x.pdf"], 1, "no run 99"),
        (["compare", "1", "3", "--out", "x.doc"], 1, ".pdf or .html"),
        (["change", "1", "3", "--out", "x.pdf"], 1, "one instrument"),
        (["worksheet", "nobody", "--out", "x.pdf"], 1, "no instrument"),
        (["worklist", "1", "--out", "x.pdf", "--place", "xx"], 1, "not known"),
        (["worklist", "1", "--out", "x.pdf", "--settings", "none.toml"], 1, "do not exist"),
        (["worklist", "1", "--out", "none/x.pdf"], 1, "folder does not exist"),
        (["worklist", "1", "--paper", "A3"], 2, "A3"),
    ],
)
def test_what_cannot_be_done_is_one_line(
    words: list[str],
    code: int,
    part: str,
    say: Say,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert part in say(*words, code=code)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "words", [["compare", "1", "3"], ["change", "1", "2"], ["worklist", "1"], ["worksheet", "1"]]
)
def test_sheets_are_written_for_paper_and_screen(
    words: list[str], say: Say, tmp_path: Path
) -> None:
    for ending, start in (("pdf", b"%PDF-"), ("html", b"<!DOCTYPE html>")):
        path = tmp_path / f"sheet.{ending}"
        assert str(path) in say(*words, "--out", str(path))
        assert path.read_bytes().startswith(start)
    assert (b"<audio" in path.read_bytes()) == (words[0] in ("compare", "change"))


def test_sound_can_be_left_out(say: Say, tmp_path: Path) -> None:
    path = tmp_path / "sheet.html"
    say("compare", "1", "3", "--out", str(path), "--no-sound")
    assert b"<audio" not in path.read_bytes()


@pytest.mark.parametrize(
    ("form", "start"), [("svg", b"<svg "), ("png", b"\x89PNG"), ("pdf", b"%PDF-")]
)
def test_charts_are_written_by_themselves(
    form: str, start: bytes, say: Say, tmp_path: Path
) -> None:
    folder = tmp_path / "charts"
    assert "8 charts" in say("compare", "1", "3", "--charts", str(folder), "--chart-form", form)
    files = sorted(folder.iterdir())
    assert [file.name for file in files] == sorted(
        f"{name}.{form}"
        for name in (
            "brightness", "decay", "sustain", "evenness-brightness", "evenness-level", "damping",
            "ring-on", "tuning",
        )
    )  # fmt: skip
    assert all(file.read_bytes().startswith(start) for file in files)


def test_the_sheet_as_json(say: Say) -> None:
    data = json.loads(say("compare", "1", "3", "--json", "-"))
    assert data["format"] == "toneapp-sheet/1"
    assert [run["instrument"] for run in data["runs"]] == ["Old upright", "Small grand"]
    sentence = data["blocks"][2]["items"][0]
    assert sentence["figures"][0]["text"] in sentence["text"]


def test_settings_are_begun_shown_and_obeyed(say: Say, workshop: Library, tmp_path: Path) -> None:
    path = workshop.folder / "sheet.toml"
    try:
        assert "Begun" in say("settings", "--begin")
        assert "there already" in say("settings", "--begin", code=1)
        text = path.read_text("utf-8").replace('workshop = ""', 'workshop = "By the river"')
        path.write_text(text, "utf-8")
        assert 'workshop = "By the river"' in say("settings")
        page = tmp_path / "sheet.html"
        say("worklist", "1", "--out", str(page), "--place", "de-DE")
        assert "By the river" in page.read_text("utf-8")
        assert "01.05.2024" in page.read_text("utf-8")
    finally:
        path.unlink()
