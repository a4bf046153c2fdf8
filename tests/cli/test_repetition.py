"""The repetition command: table, sluggish keys, files, and one line for each fault."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from toneapp.analysis import RepetitionRun
from toneapp.cli import main
from toneapp.cli.repetition import WIDTH
from toneapp.evenness import judge_repetition
from toneapp.measure.repetition import KeyRepetition
from toneapp.pitch import note_name
from toneapp.results import Flag


def key(midi: int | None, **changes: Any) -> KeyRepetition:
    values: dict[str, Any] = {
        "midi": midi, "note": "" if midi is None else note_name(midi), "first_s": 1.0,
        "last_s": 3.5, "blows": 18, "strikes_per_s": 7.0, "strikes_per_s_se": 0.08,
        "spacing_cv": 0.045, "spacing_cv_se": 0.008, "level_sd_db": 1.2, "level_sd_db_se": 0.2,
        "missed": 0,
    }  # fmt: skip
    return KeyRepetition(**(values | changes))


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """Replace the measuring by a fixed run; holds what it was called with."""
    called: dict[str, Any] = {}
    keys = (
        *(key(midi) for midi in range(48, 72, 3)),
        key(72, strikes_per_s=4.1),
        key(75, spacing_cv=None, spacing_cv_se=None, missed=5, missed_at_s=(1.5,)),
        key(None, flags=(Flag.NO_PITCH,), source="=bad.wav"),
    )
    run = RepetitionRun(
        source="keys.flac", duration_s=60.0, sample_rate_hz=48000, keys=keys,
        judgement=judge_repetition(keys), problems=("no series of fast blows in x.wav",),
    )  # fmt: skip

    def analyse_repetition(path: str, **options: Any) -> RepetitionRun:
        called.update(options, path=path)
        options["progress"](1.0)
        return run

    monkeypatch.setattr("toneapp.analysis.analyse_repetition", analyse_repetition)
    return called


@pytest.mark.usefixtures("measured")
def test_the_run_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["repetition", "keys.flac"]) == 0
    said = capsys.readouterr().out
    assert "11 keys struck fast in keys.flac" in said
    assert "no series of fast blows in x.wav" in said
    assert "C4        18    7.00 ± 0.16    4.5 ± 1.6 %" in said
    assert "Sluggish keys: 2, worst first" in said
    assert "C5    slower than the keys around it (4.1 a second where 7.0 is usual)" in said
    assert "misses blows (5)" in said
    assert "a series at 1.0 s: no series of partials found" in said
    assert "Look first at" in said
    assert "qualified piano technician" in " ".join(said.split())
    assert max(len(line) for line in said.splitlines()) <= WIDTH


def test_options_are_passed_on(
    measured: dict[str, Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table, data = tmp_path / "keys.csv", tmp_path / "keys.json"
    words = ["--csv", str(table), "--json", str(data), "--keys", "C4, D#4", "--a4", "442"]
    assert main(["repetition", "keys.flac", *words]) == 0
    assert measured["keys"] == (60, 63)
    assert measured["a4_hz"] == 442.0
    found = json.loads(data.read_text("utf-8"))
    assert found["format"] == "toneapp-repetition/1"
    assert found["keys"][0]["strikes_per_s"] == 7.0
    assert found["judgement"]["sluggish"][0]["reasons"]
    rows = list(csv.DictReader(io.StringIO(table.read_text("ascii"))))
    assert len(rows) == 11
    assert rows[8]["sluggish"] == "slow"
    assert rows[9]["spacing cv (1)"] == ""
    assert rows[10]["file"] == "'=bad.wav"
    assert capsys.readouterr().out


@pytest.mark.usefixtures("measured")
def test_json_on_the_output_has_no_text(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["repetition", "keys.flac", "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["source"] == "keys.flac"


def test_faults_are_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    silent = tmp_path / "silent.wav"
    soundfile.write(silent, np.zeros(44100), 44100)
    for words, code in (
        ([str(silent)], 1),
        ([str(tmp_path / "none.wav")], 1),
        ([str(silent), "--csv", "-"], 1),
        ([str(silent), "--keys", "H9"], 2),
        ([str(silent), "--a4", "x"], 2),
        ([str(silent), "--compass", "C4"], 2),
    ):
        assert main(["repetition", *words]) == code
        assert capsys.readouterr().err.count("\n") == 1
