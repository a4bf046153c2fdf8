"""Every end of a command is an exit code and at most one line."""

from __future__ import annotations

import io
import json
import os
import re
import signal
import subprocess
import sys
import textwrap
from pathlib import Path
from typing import Any

import pytest

import toneapp
from toneapp import errors
from toneapp.cli import main
from toneapp.cli.entry import DEBUG_LOG
from toneapp.cli.streams import complain, progress_line, say
from toneapp.interchange import run_from_bytes


def one_line(text: str) -> str:
    """The only line of a text, without its end."""
    assert text.count("\n") == 1
    assert text.endswith("\n")
    return text[:-1]


@pytest.mark.parametrize(
    "words", [["--help"], ["analyse", "--help"], ["demo", "--help"], ["--version"]]
)
def test_help_is_given(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 0
    said = capsys.readouterr()
    assert said.err == ""
    assert "toneapp" in said.out


def test_the_version_is_that_of_the_package(capsys: pytest.CaptureFixture[str]) -> None:
    main(["--version"])
    assert capsys.readouterr().out == f"toneapp {toneapp.__version__}\n"
    text = (Path(__file__).parents[2] / "pyproject.toml").read_text(encoding="utf-8")
    assert f'version = "{toneapp.__version__}"' in text


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["sing"], "sing"),
        (["analyse"], "FILE_OR_FOLDER"),
        (["analyse", "a.wav", "--compass", "C8-A0"], "compass"),
        (["analyse", "a.wav", "--compass", "A0"], "compass"),
        (["analyse", "a.wav", "--a4", "20"], "frequency"),
        (["analyse", "a.wav", "--a4", "nan"], "frequency"),
        (["analyse", "a.wav", "--last-damper", "H2"], "note name"),
        (["analyse", "a.wav", "--order", "random"], "random"),
        (["analyse", "a.wav", "--jobs", "0"], "processes"),
        (["analyse", "a.wav", "--calibration", "-3"], "level in dB"),
        (["analyse", "a.wav", "--jso", "x"], "jso"),  # no guessing of cut words
        (["analyse", "a.wav", "b.wav"], "b.wav"),
    ],
)
def test_words_not_understood_are_one_line_and_code_2(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert said in one_line(captured.err)


def test_the_options_reach_the_measuring(
    measured: dict[str, Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "l.csv").write_text("onset_s,note\n1.0,A4\n")
    words = "analyse run.flac --compass A0-A7 --a4 435.5 --last-damper E6 --first-plain B2"
    words += " --bass-bridge-top A2 --order descending --channel left --calibration 94 --jobs 2"
    assert main([*words.split(), "--labels", str(tmp_path / "l.csv")]) == 0
    layout = measured["layout"]
    assert measured["path"] == "run.flac"
    assert str(layout.compass) == "A0-A7"
    assert (layout.last_damper_midi, layout.first_plain_midi) == (88, 47)
    assert layout.bass_bridge_top_midi == 45
    assert (measured["a4_hz"], measured["order"], measured["jobs"]) == (435.5, "descending", 2)
    assert (measured["channel"], measured["calibration_db"]) == ("left", 94.0)
    assert [(label.onset_s, label.midi) for label in measured["labels"]] == [(1.0, 69)]
    assert "Raised notes: 2 of 3" in capsys.readouterr().out


def test_defaults_leave_the_choice_to_the_run(measured: dict[str, Any]) -> None:
    assert main(["analyse", "run.flac", "--quiet"]) == 0
    assert str(measured["layout"].compass) == "A0-C8"
    assert measured["layout"].breaks() == ()
    assert (measured["a4_hz"], measured["channel"]) == (440.0, "auto")
    assert measured["order"] is measured["jobs"] is measured["calibration_db"] is None
    assert list(measured["labels"]) == []


@pytest.mark.usefixtures("measured")
def test_results_are_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["analyse", "run.flac", "--quiet"]
    words += ["--json", str(tmp_path / "r.json"), "--csv", str(tmp_path / "r.csv")]
    assert main(words) == 0
    assert capsys.readouterr() == ("", "")
    run = run_from_bytes((tmp_path / "r.json").read_bytes())
    assert len(run.strikes) == 6
    assert (tmp_path / "r.csv").read_text().count("\n") == 7
    assert (tmp_path / "r-notes.csv").read_text().count("\n") == 4


@pytest.mark.usefixtures("measured")
def test_json_to_the_output_comes_alone(capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    assert main(["analyse", "run.flac", "--json", "-"]) == 0
    captured = capfdbinary.readouterr()
    assert json.loads(captured.out)["format"] == "toneapp-run/1"
    assert captured.err == b""


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--json", "{}/none/r.json"], "folder does not exist"),
        (["--csv", "{}"], "a folder has that name"),
        (["--json", "{}/run.flac"], "is the recording itself"),
        (["--json", "{}/r", "--csv", "{}/r"], "asked for twice"),
        (["--json", "{}/r-notes.csv", "--csv", "{}/r.csv"], "asked for twice"),
        (["--csv", "-"], "only --json"),
        (["--labels", "{}/none.csv"], "cannot be read"),
    ],
)
def test_what_cannot_be_written_is_said_before_the_work(
    measured: dict[str, Any],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    options: list[str],
    said: str,
) -> None:
    (tmp_path / "run.flac").write_bytes(b"sound")
    words = ["analyse", str(tmp_path / "run.flac")]
    assert main(words + [option.format(tmp_path) for option in options]) == 1
    assert said in one_line(capsys.readouterr().err)
    assert measured == {}
    assert [path.name for path in tmp_path.iterdir()] == ["run.flac"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs the device that is always full")
@pytest.mark.usefixtures("measured")
def test_a_full_disk_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["analyse", "run.flac", "--json", "/dev/full"]) == 1
    assert "the disk is full" in one_line(capsys.readouterr().err)


ERRORS = [
    kind
    for kind in vars(errors).values()
    if isinstance(kind, type) and issubclass(kind, errors.ToneappError)
]


@pytest.mark.parametrize("kind", ERRORS)
def test_errors_for_the_user_are_one_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], kind: type[Exception]
) -> None:
    def fail(*_words: Any, **_options: Any) -> None:
        raise kind("it is so;\ndo this")

    monkeypatch.setattr("toneapp.analysis.analyse", fail)
    code = main(["analyse", "run.flac"])
    if kind is errors.Cancelled:
        assert (code, capsys.readouterr().err) == (130, "toneapp: stopped\n")
    else:
        assert (code, capsys.readouterr().err) == (1, "toneapp: it is so; do this\n")


def test_a_fault_of_the_program_is_one_line_and_its_trace_goes_to_the_log(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    def fail(*_words: Any, **_options: Any) -> None:
        raise ZeroDivisionError("oops")

    monkeypatch.setattr("toneapp.analysis.analyse", fail)
    monkeypatch.chdir(tmp_path)
    assert main(["analyse", "run.flac"]) == 1
    line = one_line(capsys.readouterr().err)
    assert "ZeroDivisionError: oops" in line
    assert "--debug" in line
    assert list(tmp_path.iterdir()) == []

    assert main(["analyse", "run.flac", "--debug"]) == 1
    assert DEBUG_LOG in one_line(capsys.readouterr().err)
    log = (tmp_path / DEBUG_LOG).read_text(encoding="utf-8")
    assert "Traceback" in log
    assert "oops" in log


def test_stopping_by_hand_is_one_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def stop(*_words: Any, **_options: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("toneapp.analysis.analyse", stop)
    assert main(["analyse", "run.flac"]) == 130
    assert capsys.readouterr().err == "toneapp: stopped\n"


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    encoding = "ascii"

    def isatty(self) -> bool:
        return True


def test_progress_is_shown_only_to_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    pipe, terminal = io.StringIO(), Terminal()
    for stream in (pipe, terminal):
        monkeypatch.setattr(sys, "stderr", stream)
        with progress_line("measuring") as progress:
            progress(0.501)
            progress(0.502)
            progress(2.0)
    assert pipe.getvalue() == ""
    assert re.findall(r"\d+ %", terminal.getvalue()) == ["0 %", "50 %", "100 %"]
    assert terminal.getvalue().endswith(" \r")


def test_a_poor_terminal_gets_plain_signs(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = Terminal()
    monkeypatch.setattr(sys, "stdout", terminal)
    say("−1 ± 2 dB é")
    assert terminal.getvalue() == "-1 +/- 2 dB ?\n"


def test_control_signs_in_names_do_not_reach_the_terminal(
    capsys: pytest.CaptureFixture[str],
) -> None:
    complain("\x1b[2Jevil\x07.wav is\nempty")
    assert capsys.readouterr().err == "toneapp: ?[2Jevil?.wav is empty\n"


def start(program: str, **options: Any) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(program)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        **options,
    )


# A shell that starts tests in the background has them ignore Ctrl-C, and so would this process.
SLOW = """
    import signal, sys, time
    signal.signal(signal.SIGINT, signal.default_int_handler)
    import toneapp.analysis
    def slow(path, **options):
        print("started", flush=True)
        time.sleep(60)
    toneapp.analysis.analyse = slow
    from toneapp.cli import main
    sys.exit(main(["analyse", "run.flac"]))
"""


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX systems")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_running_command_can_be_stopped(number: signal.Signals) -> None:
    with start(SLOW) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"started\n"
        process.send_signal(number)
        _, said = process.communicate(timeout=20)
    assert (process.returncode, said) == (130, b"toneapp: stopped\n")


@pytest.mark.skipif(os.name == "nt", reason="pipes of POSIX systems")
def test_a_reader_that_has_seen_enough_ends_it_quietly() -> None:
    program = """
        import sys
        from toneapp.cli import main
        from toneapp.cli.streams import say
        import toneapp.cli.analyse as command
        def endless(arguments):
            while True:
                say("line " * 100)
        command.run_analyse = endless
        sys.exit(main(["analyse", "run.flac"]))
    """
    with start(program) as process:
        assert process.stdout is not None
        process.stdout.read(10)
        process.stdout.close()
        assert process.stderr is not None
        said = process.stderr.read()
        assert process.wait(timeout=20) == 0
    assert said == b""


def test_help_comes_without_the_slow_libraries() -> None:
    program = """
        import sys
        from toneapp.cli import main
        main(["--help"])
        slow = {"scipy.signal", "librosa", "numba", "PySide6", "sounddevice"} & set(sys.modules)
        sys.exit(f"imported at start: {slow}" if slow else 0)
    """
    with start(program) as process:
        _, said = process.communicate(timeout=60)
    assert process.returncode == 0, said
