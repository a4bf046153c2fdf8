"""``toneapp analyse``: a recording in, every note's values out.

Functions: `add_command`, `run_analyse`.
"""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import Any

from toneapp.cli.label_file import read_labels
from toneapp.cli.picture import draw_picture
from toneapp.cli.streams import progress_line, say, say_bytes
from toneapp.cli.summary import run_summary
from toneapp.errors import InputError, OutputError
from toneapp.interchange import run_to_bytes
from toneapp.keyboard import FULL_COMPASS, Compass, KeyboardLayout
from toneapp.pitch import A4_HZ, note_name, parse_note
from toneapp.results import RunResult
from toneapp.saving import check_picture_name, write_atomically
from toneapp.tables import notes_csv, notes_table_path, strikes_csv

__all__ = ["add_command", "run_analyse"]

STANDARD_OUTPUT = "-"

_A4_RANGE_HZ = (380.0, 500.0)
"""Reference pitches in use, old and new, lie well inside (common practice, no source)."""


def add_command(commands: Any, *, parents: list[argparse.ArgumentParser]) -> None:
    """Add the command's options to the parser."""
    parser = commands.add_parser(
        "analyse",
        parents=parents,
        help="measure every note of a recorded run",
        description="Measure every note of a recorded run: one recording of blows over the whole "
        "keyboard, or a folder with one recording a note. A summary is printed; --json and --csv "
        "write all values.",
        epilog="Example: toneapp analyse run.flac --last-damper F6 --csv run.csv "
        "--picture run.png",
        allow_abbrev=False,
    )
    parser.add_argument(
        "recording",
        type=_named,
        metavar="FILE_OR_FOLDER",
        help="WAV, FLAC, AIFF, OGG, MP3, or a folder of them",
    )
    out = parser.add_argument_group("results")
    out.add_argument(
        "--json",
        metavar="OUT",
        help='write all values as JSON ("-": print them in place of the summary)',
    )
    out.add_argument(
        "--csv",
        metavar="OUT",
        help="write a table with one row a strike, and beside it OUT-notes with one row a note",
    )
    out.add_argument("--picture", metavar="OUT.png", help="draw the run over the keyboard")
    out.add_argument("--quiet", action="store_true", help="print no summary")
    piano = parser.add_argument_group("instrument")
    piano.add_argument(
        "--compass",
        type=_compass,
        default=FULL_COMPASS,
        metavar="A0-C8",
        help="its lowest and highest key (A0-C8)",
    )
    piano.add_argument(
        "--a4",
        type=_a4_hz,
        default=A4_HZ,
        metavar="HZ",
        help="pitch of A4 in Hz that cents and the names of keys are counted from (440)",
    )
    piano.add_argument(
        "--last-damper", type=_note, metavar="NOTE", help="highest note with a damper"
    )
    piano.add_argument(
        "--first-plain", type=_note, metavar="NOTE", help="lowest note with plain-wire strings"
    )
    piano.add_argument(
        "--bass-bridge-top", type=_note, metavar="NOTE", help="highest note on the bass bridge"
    )
    run = parser.add_argument_group("run")
    run.add_argument(
        "--order",
        choices=("ascending", "descending", "free"),
        help="order of the keys; read from the run if not given",
    )
    run.add_argument(
        "--labels",
        metavar="FILE.csv",
        help="strikes named by hand: columns onset_s (seconds) and note (a hyphen: no strike), "
        "and where they are known exactly exact_onset_s and release_s",
    )
    run.add_argument(
        "--channel",
        default="auto",
        metavar="WHICH",
        help="auto (the louder one), average, left, right or a number",
    )
    run.add_argument(
        "--calibration",
        type=_calibration_db,
        metavar="DB",
        help="sound pressure level of full scale in dB, if a sound level meter told it",
    )
    run.add_argument(
        "--jobs",
        type=_jobs,
        metavar="N",
        help="processes that share the work (as many as there are processors)",
    )
    parser.set_defaults(run=run_analyse)


def run_analyse(arguments: argparse.Namespace) -> None:
    """Carry out the command.

    Raises
    ------
    ToneappError
        If the recording cannot be measured or a result not be written.
    """
    from toneapp.analysis import analyse

    _check_outputs(arguments)
    _check_notes(arguments)
    layout = KeyboardLayout(
        compass=arguments.compass,
        first_plain_midi=arguments.first_plain,
        last_damper_midi=arguments.last_damper,
        bass_bridge_top_midi=arguments.bass_bridge_top,
    )
    labels = [] if arguments.labels is None else read_labels(arguments.labels)
    with progress_line("measuring") as progress:
        run = analyse(
            arguments.recording,
            layout=layout,
            a4_hz=arguments.a4,
            order=arguments.order,
            labels=labels,
            channel=arguments.channel,
            calibration_db=arguments.calibration,
            jobs=arguments.jobs,
            progress=progress,
        )
    if arguments.json not in (None, STANDARD_OUTPUT):
        write_atomically(arguments.json, run_to_bytes(run))
    if arguments.csv is not None:
        write_tables(run, arguments.csv)
    if arguments.picture is not None:
        draw_picture(run, arguments.picture)
    if arguments.json == STANDARD_OUTPUT:
        say_bytes(run_to_bytes(run))
    elif not arguments.quiet:
        say(run_summary(run))


def write_tables(run: RunResult, path: str | Path) -> None:
    """Write the table of the strikes, and beside it that of the notes.

    Raises
    ------
    OutputError
        If one of them cannot be written.
    """
    write_atomically(path, strikes_csv(run))
    write_atomically(notes_table_path(path), notes_csv(run))


def _check_outputs(arguments: argparse.Namespace) -> None:
    """Say before the long work what could not be written after it."""
    targets = [
        Path(name)
        for name in (arguments.json, arguments.csv, arguments.picture)
        if name not in (None, STANDARD_OUTPUT)
    ]
    if arguments.csv == STANDARD_OUTPUT or arguments.picture == STANDARD_OUTPUT:
        raise InputError('only --json can go to the output with "-"; name a file')
    if arguments.picture is not None:
        check_picture_name(arguments.picture)
    if arguments.csv is not None:
        targets.append(notes_table_path(arguments.csv))
    recording = os.path.realpath(arguments.recording)
    seen: set[str] = set()
    for target in targets:
        real = os.path.realpath(target)
        if real == recording:
            raise InputError(f"{target} is the recording itself; choose another name for a result")
        if real in seen:
            raise InputError(f"{target} is asked for twice; give each result a name of its own")
        seen.add(real)
        if os.path.isdir(target):  # unlike Path.is_dir it is silent without rights
            raise OutputError(
                f"{target} cannot be written: a folder has that name; choose another"
            )
        if not os.path.isdir(target.parent):
            raise OutputError(
                f"{target} cannot be written: the folder does not exist; make it first"
            )


def _check_notes(arguments: argparse.Namespace) -> None:
    """Refuse notes of the instrument that its keyboard does not have."""
    for option in ("last_damper", "first_plain", "bass_bridge_top"):
        midi = getattr(arguments, option)
        if midi is not None and midi not in arguments.compass:
            name = option.replace("_", "-")
            raise InputError(
                f"--{name} {note_name(midi)} is no key of {arguments.compass}; correct it, or "
                "give the range of the keys with --compass"
            )


def _named(text: str) -> str:
    if not text.strip():
        raise argparse.ArgumentTypeError("the name is empty; name a recording")
    return text


def _compass(text: str) -> Compass:
    try:
        return Compass.parse(text)
    except ValueError as exc:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no range of keys; write the lowest and the highest, such as A0-C8"
        ) from exc


def _note(text: str) -> int:
    try:
        return parse_note(text)
    except ValueError as exc:
        raise argparse.ArgumentTypeError(str(exc)) from exc


def _number(text: str, lowest: float, highest: float, what: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not lowest <= value <= highest:
        raise argparse.ArgumentTypeError(f"{text!r} is not {what} from {lowest:g} to {highest:g}")
    return value


def _a4_hz(text: str) -> float:
    return _number(text, *_A4_RANGE_HZ, "a frequency in Hz")


def _calibration_db(text: str) -> float:
    # The quietest room with the most sensitive input, and the loudest sound there is in air.
    return _number(text, 40.0, 194.0, "a level in dB")


def _jobs(text: str) -> int:
    try:
        jobs = int(text)
    except ValueError:
        jobs = 0
    if not 1 <= jobs <= 256:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of processes from 1 to 256")
    return jobs
