"""A spreadsheet reads the tables, and cannot be tricked by them."""

from __future__ import annotations

import csv
import io
import math
import re
from dataclasses import fields, replace

import pandas
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.results import (
    Cause,
    EchoString,
    Flag,
    NoteResult,
    PartialResult,
    Raised,
    RunResult,
    StrikeResult,
)
from toneapp.tables import (
    _NOTE_COLUMNS,
    _STRIKE_COLUMNS,
    notes_csv,
    notes_table_path,
    safe_cell,
    strikes_csv,
)

STRIKE = StrikeResult(
    midi=61, note="C#4", onset_s=1.25, end_s=3.0, f1_hz=277.18, B=0.00007, cents=-3.25,
    level_db=-18.5, ring_level_is_limit=True,
    partials=(PartialResult(n=1, hz=277.2, level_db=-30.0),),
    ringing=(
        EchoString(midi=93, partial=1, hz=1771.2, level_db=-50.0, cause=Cause.UNDAMPED),
        EchoString(midi=None, partial=None, hz=801.5, level_db=-60.0, cause=Cause.NO_KEY),
    ),
    flags=(Flag.NO_RELEASE, Flag.SINGLE_STAGE),
)  # fmt: skip
NOTE = NoteResult(
    midi=61, note="C#4", strikes=2, level_residual_db=-0.5, raised=(Raised.DULL, Raised.SOFT)
)
RUN = RunResult(
    sample_rate_hz=48_000,
    duration_s=10.0,
    a4_reference_hz=440.0,
    strikes=(STRIKE, replace(STRIKE, onset_s=4.0)),
    notes=(NOTE,),
)


def rows(content: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"), newline="")))


def test_one_row_a_strike_with_empty_cells_for_what_was_not_measured() -> None:
    first, second = rows(strikes_csv(RUN))
    assert (first["onset (s)"], second["onset (s)"]) == ("1.25", "4.0")
    assert first["note"] == "C#4"
    assert first["B (1)"] == "0.00007"  # in full, not 7e-05
    assert first["pitch (cents)"] == "-3.25"  # a number keeps its minus
    assert first["release (s)"] == ""
    assert first["partials (count)"] == "1"
    assert first["ring level is limit (yes/no)"] == "yes"
    assert first["echo strings"] == "A6:1 801.5Hz"
    assert first["flags"] == "no_release single_stage"


def test_a_byte_order_mark_stands_only_before_text_that_needs_it() -> None:
    assert strikes_csv(RUN).startswith(b"midi,note")
    foreign = replace(RUN, strikes=(replace(STRIKE, source="Flügel.wav"),))
    assert strikes_csv(foreign).startswith(b"\xef\xbb\xbfmidi,note")
    assert rows(strikes_csv(foreign))[0]["file"] == "Flügel.wav"


def test_one_row_a_note() -> None:
    (row,) = rows(notes_csv(RUN))
    assert (row["midi"], row["strikes (count)"], row["raised"]) == ("61", "2", "dull soft")
    assert row["level residual (dB)"] == "-0.5"


def test_decay_against_its_trend_is_written_in_per_cent() -> None:
    note = replace(RUN.notes[0], prompt_t60_residual=math.log(0.5), prompt_t60_se=0.05)
    (row,) = rows(notes_csv(replace(RUN, notes=(note,))))
    assert float(row["prompt T60 residual (%)"]) == pytest.approx(-50.0)
    # The error of a ratio is the ratio times that of its logarithm.
    assert float(row["prompt T60 residual se (%)"]) == pytest.approx(2.5)
    assert "ln ratio" not in notes_csv(RUN).decode("ascii")


def test_a_run_without_strikes_is_a_header_line() -> None:
    empty = replace(RUN, strikes=(), notes=())
    assert rows(strikes_csv(empty)) == []
    assert strikes_csv(empty).count(b"\r\n") == 1


def test_a_spreadsheet_library_reads_numbers() -> None:
    table = pandas.read_csv(io.BytesIO(strikes_csv(RUN)))
    assert table["f1 (Hz)"].tolist() == [277.18, 277.18]
    assert table["release (s)"].isna().all()


def test_no_field_is_forgotten_and_every_number_names_its_unit() -> None:
    beside = {"ring_levels_db", "attack_db"}  # many numbers: only in the JSON form
    assert {name for _, name in _STRIKE_COLUMNS} == {
        item.name for item in fields(StrikeResult)
    } - beside
    assert {name for _, name in _NOTE_COLUMNS} == {item.name for item in fields(NoteResult)}
    words = {"midi", "note", "raised", "flags", "echo strings", "file"}
    for columns in (_STRIKE_COLUMNS, _NOTE_COLUMNS):
        headers = [header for header, _ in columns]
        assert len(set(headers)) == len(headers)
        for header in headers:
            assert header in words or re.search(r" \([^)]+\)$", header), header


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n", " ="])
def test_a_text_that_looks_like_a_formula_is_neutralised(start: str) -> None:
    assert safe_cell(f"{start}1+1") == f"'{start}1+1"
    trick = replace(RUN, strikes=(replace(STRIKE, note=f"{start}cmd"),))
    assert rows(strikes_csv(trick))[0]["note"].startswith("'")


@given(st.text(max_size=30))
def test_any_text_stays_one_harmless_cell(text: str) -> None:
    trick = replace(RUN, strikes=(replace(STRIKE, note=text),))
    (row,) = rows(strikes_csv(trick))
    assert not row["note"].lstrip(" ").startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
    assert row["f1 (Hz)"] == "277.18"


@pytest.mark.parametrize(
    ("given_name", "name"),
    [("a.csv", "a-notes.csv"), ("a", "a-notes"), ("a.b.csv", "a.b-notes.csv")],
)
def test_name_of_the_second_table(given_name: str, name: str) -> None:
    assert notes_table_path(given_name).name == name
