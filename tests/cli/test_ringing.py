"""What rings on, told in the terminal, as tables, as JSON and as a picture."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import pytest

from toneapp.cli import main
from toneapp.cli.ringing import WIDTH
from toneapp.cli.summary import run_summary
from toneapp.interchange import run_to_bytes
from toneapp.pitch import midi_to_hz, note_name
from toneapp.results import (
    Cause,
    EchoCandidate,
    EchoString,
    EchoSummary,
    RingOn,
    RunResult,
    StrikeResult,
    SuspectDamper,
)

E2, F5, G6 = 40, 77, 91


def ringing_run(*, is_leaky: bool) -> RunResult:
    """Fifty keys; E2 leaks and is heard after ten, G6 answers three, something at 1777 Hz one."""
    strikes = []
    for midi in range(30, 80):
        echoes = []
        if is_leaky and midi == E2:
            echoes.append((E2, -9.0, Cause.OWN_DAMPER))
        if is_leaky and midi % 5 == 0 and midi != E2:
            echoes.append((E2, -26.0, Cause.OTHER_DAMPER))
        if midi in (60, 67, 72):
            echoes.append((G6, -37.0, Cause.UNDAMPED))
        if midi == 52:
            echoes.append((None, -40.0, Cause.NO_KEY))
        strikes.append(
            StrikeResult(
                midi=midi, note=note_name(midi), onset_s=2.0 * midi, end_s=2.0 * midi + 1.7,
                release_s=2.0 * midi + 0.4,
                ringing=tuple(
                    EchoString(
                        midi=string, partial=None if string is None else 1,
                        hz=1777.0 if string is None else midi_to_hz(string), level_db=level,
                        cause=cause, t60_s=1.9,
                        alternatives=(EchoCandidate(midi=F5, partial=2, cents_off=1.0),)
                        if string == G6 else (),
                    )
                    for string, level, cause in echoes
                ),
            )
        )  # fmt: skip
    heard = tuple(midi for midi in range(30, 80, 5) if midi != E2)
    suspects = (
        SuspectDamper(
            midi=E2, note="E2", suspicion=4.0, damped_t60_s=2.31, usual_t60_s=0.41,
            ring_level_db=-9.0, heard_from=heard,
        ),
    )  # fmt: skip
    echoes_of = [
        EchoSummary(
            midi=E2, note="E2", cause=Cause.OTHER_DAMPER, from_keys=heard, level_db=-26.0,
            loudest_db=-26.0, t60_s=1.9,
        ),
        EchoSummary(
            midi=G6, note="G6", cause=Cause.UNDAMPED, from_keys=(60, 67, 72), level_db=-37.0,
            loudest_db=-37.0, t60_s=1.9,
        ),
    ]  # fmt: skip
    return RunResult(
        sample_rate_hz=48000, duration_s=170.0, a4_reference_hz=440.0, strikes=tuple(strikes),
        source="short blows.flac",
        ring_on=RingOn(
            last_damper_midi=88, last_damper_is_given=False, room_t60_s=0.43,
            suspects=suspects if is_leaky else (),
            echo_strings=tuple(echoes_of if is_leaky else echoes_of[1:]),
            treble_echo_db=-49.2, treble_echo_db_se=2.4, strikes_heard=50,
        ),
    )  # fmt: skip


@pytest.fixture
def files(tmp_path: Path) -> tuple[str, str]:
    names = []
    for name, is_leaky in (("before", True), ("after", False)):
        path = tmp_path / f"{name}.json"
        path.write_bytes(run_to_bytes(ringing_run(is_leaky=is_leaky)))
        names.append(str(path))
    return names[0], names[1]


def test_one_run_is_told(files: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["ringing", files[0]]) == 0
    said = capsys.readouterr().out
    for text in (
        "What rings on in short blows.flac",
        "Dampers up to    E6 (as the run shows it)",
        "Room             T60 0.43 s, taken out",
        "−49 ± 5 dB against the blow",
        "Suspect dampers: 1, most suspect first",
        "its note dies in 2.31 s where 0.41 s is usual",
        "Echo strings: 2, most heard first",
        "Notes after which something rings: 13 of 50",
        "The note's own damper leaks",
        "Undamped strings answer",
        "Something that belongs to no key rings",
        "Look first at",
        "Cautions",
        "qualified piano technician",
    ):
        assert text in " ".join(said.split()) or text in said, text
    assert max(len(line) for line in said.splitlines()) <= WIDTH


def test_the_matrix_in_signs(files: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["ringing", files[0]]) == 0
    lines = capsys.readouterr().out.splitlines()
    rows = {line[:8].strip(): line[8:] for line in lines if line[:8].strip() in ("E2 do", "G6 u")}
    assert rows["E2 do"][E2 - 30] == "#"  # -9 dB, on its own key
    assert rows["E2 do"][45 - 30] == "+"  # -26 dB
    assert rows["G6 u"][60 - 30] == "-"  # -37 dB
    assert rows["G6 u"].count("-") == 3


def test_two_runs_are_compared(files: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["ringing", *files]) == 0
    said = capsys.readouterr().out
    assert "E2     no longer heard: from −" in said
    assert "Treble echo: 0.0 dB [" in said
    assert "no longer heard" in said
    assert "as before" in said
    assert max(len(line) for line in said.splitlines()) <= WIDTH


def test_tables_and_json(
    files: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / "rings.csv"
    assert main(["ringing", files[0], "--csv", str(table), "--json", "-"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["format"] == "toneapp-ringing/1"
    assert data["ring_on"]["suspects"][0]["midi"] == E2
    rows = list(csv.DictReader(io.StringIO(table.read_text("ascii"))))
    assert len(rows) == len(data["cells"]) == 14
    free = next(row for row in rows if row["struck note"] == "C4" and row["ringing note"] == "G6")
    assert (free["cause"], free["level (dB re strike)"], free["could also be"]) == (
        "undamped", "-37", "F5",
    )  # fmt: skip
    nameless = next(row for row in rows if row["ringing midi"] == "")
    assert nameless["ringing note"] == "no key"
    assert main(["ringing", *files, "--csv", str(table), "--json", "-"]) == 0
    change = json.loads(capsys.readouterr().out)
    assert change["format"] == "toneapp-ringing-change/1"
    rows = list(csv.DictReader(io.StringIO(table.read_text("ascii"))))
    lost = next(row for row in rows if row["struck note"] == "E2")
    assert (lost["trend"], lost["after is limit"], lost["low (dB)"]) == ("lost", "yes", "")


def test_a_picture_is_drawn(files: tuple[str, str], tmp_path: Path) -> None:
    for names in (files[:1], files):
        target = tmp_path / "rings.png"
        assert main(["ringing", *names, "--short", "--picture", str(target)]) == 0
        assert target.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")


def test_a_run_without_a_release_says_what_to_play(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "held.json"
    path.write_bytes(run_to_bytes(replace(ringing_run(is_leaky=False), ring_on=None)))
    assert main(["ringing", str(path)]) == 0
    assert "short, detached blows" in capsys.readouterr().out


def test_what_cannot_be_read_is_one_line(
    tmp_path: Path, files: tuple[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    for words in (
        ["ringing", str(tmp_path / "none.json")],
        ["ringing", str(tmp_path / "none.flac")],
        ["ringing", "7", "--library", str(tmp_path / "none")],
        ["ringing", files[0], "--csv", "-"],
        ["ringing", files[0], "--picture", str(tmp_path / "none" / "x.png")],
        ["ringing", files[0], "--picture", str(tmp_path / "x.jpg")],
    ):
        assert main(words) == 1
        assert capsys.readouterr().err.count("\n") == 1


def test_the_summary_of_a_run_tells_what_rings() -> None:
    lines = run_summary(ringing_run(is_leaky=True)).splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("Ring-on:"))
    assert lines[at] == "Ring-on: something rings after 13 of 50 keys"
    told = "\n".join(lines[at : at + 8])
    assert "check dampers E2" in told
    assert "echo strings  E2 (−26 dB), G6 (−37 dB)" in told
    assert "treble echo   −49 ± 5 dB against the blow" in told


def test_a_sound_run_is_not_said_to_ring() -> None:
    quiet = ringing_run(is_leaky=False)
    strikes = tuple(replace(strike, ringing=()) for strike in quiet.strikes)
    assert quiet.ring_on is not None
    ring_on = replace(quiet.ring_on, echo_strings=(), treble_echo_db=None)
    text = run_summary(replace(quiet, strikes=strikes, ring_on=ring_on))
    assert "Ring-on: something rings after 0 of 50 keys" in text
    assert "check dampers none" in text
    assert "treble echo" not in text
