"""The commands for the library: what they print, their JSON, and how they fail."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from toneapp.cli import main
from toneapp.results import RunResult

Say = Callable[..., str]


@pytest.fixture
def say(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Say:
    """Carry out one command on a library of its own; returns what it printed."""
    monkeypatch.setenv("TONEAPP_LIBRARY", str(tmp_path / "library"))

    def carry_out(*words: str, code: int = 0) -> str:
        capsys.readouterr()
        found = main(list(words))
        said = capsys.readouterr()
        assert found == code, said.err
        if code == 0:
            assert said.err == ""
            return said.out
        assert said.err.count("\n") == 1
        return said.err

    return carry_out


@pytest.fixture
def sound(tmp_path: Path) -> str:
    path = tmp_path / "run.wav"
    soundfile.write(path, 0.1 * np.random.default_rng(1).standard_normal(20_000), 48_000)
    return str(path)


@pytest.fixture
def filled(say: Say, sound: str, measured: dict[str, Any]) -> Say:
    """One instrument with two measured runs; of each, C4 is dull and C#4 loud."""
    say("instrument", "add", "Old upright", "--maker", "Invented", "--last-damper", "F6",
        "--strings", "A0:1,F1:2,D3:3")  # fmt: skip
    for condition in ("before", "after"):
        say("run", "import", sound, "--instrument", "old", "--condition", condition,
            "--place", "hall", "--gain", "12 dB", "--date", "2024-05-01")  # fmt: skip
    assert measured["layout"].last_damper_midi == 89
    return say


ALL_WORDS = (
    "instrument", "instrument add", "instrument list", "instrument show", "instrument change",
    "instrument remove", "run", "run import", "run again", "run list", "run show", "run measure",
    "run change", "run strike", "run remove", "worklist", "worksheet", "worksheet show",
    "worksheet begin", "worksheet add", "worksheet change", "worksheet tick", "worksheet remove",
    "worksheet raise", "worksheet templates", "weights", "weights show", "weights enter",
    "compare", "find", "bin", "bin list", "bin restore", "bin empty", "archive", "archive export",
    "archive look", "archive import", "library", "library where", "library check",
    "library leftovers", "library history", "library undo", "library redo", "library export",
)  # fmt: skip


@pytest.mark.parametrize("words", ALL_WORDS)
def test_every_command_has_help(words: str, say: Say) -> None:
    assert f"toneapp {words}" in say(*words.split(), "--help")


@pytest.mark.parametrize(
    ("words", "code", "part"),
    [
        (["instrument"], 2, "WHAT"),
        (["instrument", "list"], 1, "there is no library"),
        (["instrument", "add", "x", "--compass", "C8-A0"], 2, "compass"),
        (["instrument", "add", "x", "--strings", "A0"], 1, "strings per note"),
        (["instrument", "add", "x", "--a4", "20"], 1, "A4 at 20 Hz"),
        (["run", "show", "one"], 2, "one"),
        (["run", "strike", "1", "2.0"], 2, "--note"),
        (["library", "export"], 1, "say where to"),
        (["archive", "import", "none.zip"], 1, "does not exist"),
    ],
)
def test_what_cannot_be_done_is_one_line(words: list[str], code: int, part: str, say: Say) -> None:
    assert part in say(*words, code=code)


def test_an_instrument_is_added_changed_shown_and_removed(say: Say) -> None:
    assert "Instrument 1 added" in say("instrument", "add", "Old upright", "--owner", "Hall")
    assert "Instrument 1 changed" in say("instrument", "change", "1", "--kind", "grand")
    shown = json.loads(say("instrument", "show", "old", "--json", "-"))
    assert (shown["name"], shown["kind"], shown["compass"]) == ("Old upright", "grand", "A0-C8")
    assert "Owner" in say("instrument", "show", "1")
    assert "lies in the bin" in say("instrument", "remove", "1")
    assert "No instruments yet" in say("instrument", "list")
    assert "Undone" in say("library", "undo")
    assert "Old upright" in say("instrument", "list")


def test_a_run_is_imported_shown_and_corrected(filled: Say) -> None:
    assert "3 notes, 2 raised" in filled("run", "list")
    shown = json.loads(filled("run", "show", "1", "--json", "-"))
    assert shown["result"]["format"] == "toneapp-run/1"
    assert shown["takes"][0]["recordings"][0]["name"] == "run.wav"
    assert "not counted" in filled("run", "strike", "1", "0.0", "--discard")
    assert len(json.loads(filled("run", "show", "1", "--json", "-"))["result"]["strikes"]) == 5
    as_recorded = json.loads(filled("run", "show", "1", "--as-recorded", "--json", "-"))
    assert len(as_recorded["result"]["strikes"]) == 6
    assert "measure again" in filled("run", "list")
    assert "counts as it was measured" in filled("run", "strike", "1", "0.0", "--restore")
    assert "All runs are up to date" in filled("run", "measure")
    filled("run", "change", "1", "--channel", "left")
    assert filled("run", "measure").startswith("Run 1 measured; ")
    assert "no take 7" in filled("run", "strike", "1", "0.0", "--discard", "--take", "7", code=1)


def test_notes_recorded_again_belong_to_the_run(filled: Say, sound: str) -> None:
    assert "Take 2 added" in filled("run", "again", "1", sound, "--replace", "--note", "filed")
    assert "take 2" in filled("run", "show", "1")
    assert "filed" in filled("run", "show", "1")


def test_the_worklist_is_shown_and_ticked(filled: Say) -> None:
    text = filled("worklist", "1")
    assert "brightness −0.30 ± 0.06 oct" in text
    assert "Cautions" in text
    assert "Look first at" in text
    assert text.startswith("Run 1: ")
    told = filled("worklist", "1", "--tick", "C4", "dull", "--note", "shaped")
    assert "2 findings, 1 done" in told
    assert "Cautions" in told
    assert "Look first at" not in told  # the steps were read before
    entries = json.loads(filled("worklist", "1", "--json", "-"))["entries"]
    assert [(e["midi"], e["subject"], e["is_done"]) for e in entries] == [
        (60, "dull", True), (61, "loud", False),
    ]  # fmt: skip
    assert "not a finding" in filled("worklist", "1", "--tick", "C4", "odd", code=1)
    for words in (("D4", "dull"), ("C4", "bright"), ("-", "dull")):
        assert "not on this worklist" in filled("worklist", "1", "--tick", *words, code=1)
    assert "1 item added" in filled("worksheet", "raise", "1")
    sheet = " ".join(filled("worksheet", "show", "1").split())
    assert "Too loud: level" in sheet
    assert "qualified piano technician" in sheet


def test_a_worksheet_is_begun_and_ticked(filled: Say, tmp_path: Path) -> None:
    assert "30 items added from upright" in filled("worksheet", "begin", "1")
    filled("worksheet", "add", "1", "--area", "Keys", "--finding", "chipped", "--key", "C4")
    assert "Item 31 is done" in filled("worksheet", "tick", "31", "--minutes", "20")
    assert "20 minutes noted" in filled("worksheet", "show", "1")
    filled("worksheet", "remove", "31")
    assert "item" in filled("bin", "list")
    filled("bin", "restore", "item", "31")
    filled("worksheet", "templates", "--copy", str(tmp_path / "mine.toml"))
    assert "[upright]" in (tmp_path / "mine.toml").read_text("utf-8")


def test_weights_are_entered_and_written_as_a_table(filled: Say, tmp_path: Path) -> None:
    filled("weights", "enter", "1", "C4=52/24/10.1", "D4=50", "--title", "before")
    table = tmp_path / "weights.csv"
    filled("weights", "show", "1", "--csv", str(table))
    assert "14" in table.read_text("ascii").splitlines()[1].split(",")
    filled("weights", "enter", "1", "--csv", str(table), "--title", "again")
    sets = json.loads(filled("weights", "show", "1", "--json", "-"))
    assert [s["title"] for s in sets] == ["before", "again"]
    assert sets[1]["keys"][0]["friction_g"] == 14.0
    assert "write them like" in filled("weights", "enter", "1", "C4", code=1)


def test_two_runs_are_compared(filled: Say, tmp_path: Path) -> None:
    text = filled("compare", "1", "2", "--csv", str(tmp_path / "out.csv"))
    assert "Before: run 1" in text
    assert (tmp_path / "out.csv").read_text("utf-8-sig").startswith("measure,unit,midi")
    data = json.loads(filled("compare", "1", "2", "--json", "-"))
    assert data["format"] == "toneapp-before-after/1"
    side = json.loads(filled("compare", "1", "2", "--side-by-side", "--json", "-"))
    assert side["format"] == "toneapp-comparison/1"
    assert "not 1" in filled("compare", "1", code=1)


def test_the_bin_asks_before_it_is_emptied(
    filled: Say, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled("run", "remove", "1")
    filled("run", "remove", "2")
    assert "say --yes" in filled("bin", "empty", code=1)
    assert len(list((tmp_path / "library" / "audio").iterdir())) == 1

    class Person:
        def __init__(self, word: str) -> None:
            self.word = word

        def isatty(self) -> bool:
            return True

        def readline(self) -> str:
            return self.word

    monkeypatch.setattr("sys.stdin", Person("no\n"))
    assert "nothing was removed" in filled("bin", "empty", code=1)
    monkeypatch.setattr("sys.stdin", Person("yes\n"))
    assert "2 things removed" in filled("bin", "empty")
    assert list((tmp_path / "library" / "audio").iterdir()) == []


def test_an_archive_goes_from_one_library_to_another(
    filled: Say, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = str(tmp_path / "all.zip")
    assert "1 instrument written" in filled("archive", "export", archive)
    monkeypatch.setenv("TONEAPP_LIBRARY", str(tmp_path / "second"))
    assert "2 runs" in filled("archive", "look", archive)
    assert "Instrument 1: Old upright" in filled("archive", "import", archive)
    assert "has already" in filled("archive", "import", archive, code=1)
    assert "Instrument 2" in filled("archive", "import", archive, "--on-duplicate", "keep-both")
    assert "No damage found" in filled("library", "check")


def test_the_library_is_looked_through_and_exported(filled: Say, tmp_path: Path) -> None:
    assert "instrument" in filled("find", "UPRIGHT")
    assert filled("find", "nothing", "there") == "Nothing found\n"
    assert str(tmp_path / "library") in filled("library", "where")
    assert "add instrument Old upright" in filled("library", "history")
    assert "No sound is left over" in filled("library", "leftovers")
    filled("library", "export", "--tables", str(tmp_path / "tables"))
    assert len(list((tmp_path / "tables").iterdir())) == 5
    data = json.loads(filled("library", "export", "--json", "-"))
    assert data["instruments"][0]["run"][0]["condition"] == "before"
    next((tmp_path / "library" / "audio").iterdir()).unlink()
    assert "1 fault" in filled("library", "check", code=1)


def test_a_run_that_fails_to_measure_stays(
    say: Say, sound: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    from toneapp.errors import NothingFoundError

    def nothing(_path: Path, **_options: Any) -> RunResult:
        raise NothingFoundError("run.wav holds no strike that can be measured")

    monkeypatch.setattr("toneapp.analysis.analyse", nothing)
    say("instrument", "add", "A")
    assert "no strike" in say("run", "import", sound, "--instrument", "1", code=1)
    assert "not measured" in say("run", "list")
    assert "Run 1: run.wav holds no strike" in say("run", "measure")
