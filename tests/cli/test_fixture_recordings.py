"""The command line from end to end, on the small recordings of fixtures_audio/."""

from __future__ import annotations

import csv
import importlib.util
import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from toneapp.cli import main
from toneapp.pitch import parse_note

FOLDER = Path(__file__).parents[2] / "fixtures_audio"
RUN_NOTES = ("C4", "C#4", "D4", "A4", "D#4", "E4", "F4", "G4", "G#4", "A4", "A#4", "B4")


def _analyse(name: str, tmp_path: Path, *words: str) -> dict:
    out = tmp_path / "out.json"
    assert main(["analyse", str(FOLDER / name), "--jobs", "1", "--json", str(out), *words]) == 0
    return json.loads(out.read_text(encoding="utf-8"))


def test_a_short_run_with_a_wrong_key_talk_hum_and_a_gap(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / "run.csv"
    run = _analyse("short_run.flac", tmp_path, "--compass", "C4-B4", "--csv", str(table))
    assert tuple(strike["note"] for strike in run["strikes"]) == RUN_NOTES
    # The wrong key, and the talk after G#4 (from 8.8 s on).
    found = [(s["midi"], s["kind"], round(s["onset_s"], 1)) for s in run["unexpected"]]
    assert found == [(69, "note", 3.4), (None, "noise", 9.4)]
    assert run["missing"] == [parse_note("F#4")]
    assert [note["raised"] for note in run["notes"]] == [[]] * 11
    assert 0 < run["evenness"]["tuning_cents_se"] < run["evenness"]["tuning_cents"]
    said = capsys.readouterr()
    assert said.err == ""
    assert "Not found     F#4" in said.out
    assert "Unexpected    A4 at 0:03.4, noise at 0:09.4" in said.out
    with table.open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    assert len(rows) == 1 + len(RUN_NOTES)


def test_the_times_of_the_short_run_are_found(tmp_path: Path) -> None:
    strikes = _analyse("short_run.flac", tmp_path, "--compass", "C4-B4", "--quiet")["strikes"]
    onsets = np.array([strike["onset_s"] for strike in strikes[:9]])
    releases = np.array([strike["release_s"] for strike in strikes[:9]], dtype=float)
    # Played every 0.95 s from 0.5 s on, each key held for 0.65 s; the goals are 5 ms and 30 ms.
    planned = 0.5 + 0.95 * np.arange(9)
    assert np.median(np.abs(onsets - planned)) < 0.005
    assert np.max(np.abs(onsets - planned)) < 0.02
    assert np.median(np.abs(releases - planned - 0.65)) < 0.03


def test_a_leaking_damper_is_named_first(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = _analyse("ring_on.flac", tmp_path, "--compass", "A3-D#4")
    assert [strike["note"] for strike in run["strikes"]] == [
        "A3", "A#3", "B3", "C4", "C#4", "D4", "D#4",
    ]  # fmt: skip
    assert "check dampers C#4" in capsys.readouterr().out
    heard = {ring["midi"] for s in run["strikes"] for ring in s["ringing"] if s["note"] != "C#4"}
    assert heard == {parse_note("C#4")}
    assert main(["ringing", str(FOLDER / "ring_on.flac")]) == 0
    assert "Suspect dampers: 1, most suspect first\n  C#4" in capsys.readouterr().out


def test_a_folder_of_single_notes(tmp_path: Path) -> None:
    run = _analyse("single_notes", tmp_path, "--quiet")
    assert [(s["note"], s["source"]) for s in run["strikes"]] == [
        ("C2", "1 C2.flac"), ("A3", "2 A3.flac"), ("E5", "3 E5.flac"), ("C7", "4 C7.flac"),
    ]  # fmt: skip
    assert all(abs(strike["cents"]) < 60 for strike in run["strikes"])


def test_the_recordings_are_small_and_made_by_their_script(tmp_path: Path) -> None:
    files = sorted(FOLDER.rglob("*.flac"))
    assert len(files) == 6
    sizes = [file.stat().st_size for file in files]
    assert max(sizes) < 300_000
    assert sum(sizes) < 2_000_000
    spec = importlib.util.spec_from_file_location("make_fixtures", FOLDER / "make.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.make(tmp_path)
    for file in files:
        kept, _ = soundfile.read(file)
        anew, _ = soundfile.read(tmp_path / file.relative_to(FOLDER))
        # Other processors may round otherwise; a changed simulation gives another sound.
        assert kept.size == anew.size
        assert np.max(np.abs(kept - anew)) < 4 / 32768
