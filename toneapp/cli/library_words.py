"""What do all commands for the library have in common?

Functions: `library_parent`, `json_parent`, `open_library`, `answer`, `rows_json`, `note_word`,
`analyse_for_library`.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Sequence
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from toneapp.cli.streams import say, say_bytes
from toneapp.keyboard import Compass
from toneapp.pitch import parse_note
from toneapp.saving import write_atomically

if TYPE_CHECKING:
    from toneapp.library import Analyse, Library

__all__ = [
    "STANDARD_OUTPUT",
    "analyse_for_library",
    "answer",
    "json_bytes",
    "json_parent",
    "library_parent",
    "note_word",
    "open_library",
    "rows_json",
]

STANDARD_OUTPUT = "-"


def library_parent() -> argparse.ArgumentParser:
    """Parser of the option that names the library."""
    parser = argparse.ArgumentParser(add_help=False)
    parser.add_argument(
        "--library",
        metavar="DIR",
        help="folder of the library (TONEAPP_LIBRARY, or toneapp in your documents)",
    )
    return parser


def json_parent() -> argparse.ArgumentParser:
    """Parser of the option for results as JSON."""
    parser = argparse.ArgumentParser(add_help=False)
    parser.add_argument(
        "--json", metavar="OUT", help='write the result as JSON ("-": to the output, no text)'
    )
    return parser


def open_library(arguments: argparse.Namespace, *, can_create: bool = False) -> Library:
    """Open the library that the words name; the caller closes it.

    Raises
    ------
    LibraryError
        If it cannot be opened.
    """
    from toneapp.library import Library

    library = Library(arguments.library, can_create=can_create)
    if library.copy_made is not None:
        say(f"The library was brought up to date; a copy of before is {library.copy_made}")
    return library


def answer(arguments: argparse.Namespace, data: Any, text: str) -> None:
    """Give a result: as JSON where that was asked for, else as text.

    Raises
    ------
    OutputError
        If the JSON cannot be written.
    """
    if arguments.json is None:
        say(text)
        return
    content = json_bytes(data)
    if arguments.json == STANDARD_OUTPUT:
        say_bytes(content)
    else:
        write_atomically(arguments.json, content)
        say(text)


def json_bytes(data: Any) -> bytes:
    """JSON text in UTF-8, ended by a newline."""
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, indent=1)
    return (text + "\n").encode("utf-8")


def rows_json(row: Any) -> Any:
    """Turn rows of the library into the objects of JSON."""
    if isinstance(row, Compass | Path):
        return str(row)
    if is_dataclass(row):
        return {item.name: rows_json(getattr(row, item.name)) for item in fields(row)}
    if isinstance(row, list | tuple):
        return [rows_json(item) for item in row]
    if isinstance(row, str):
        return str(row)  # also the enums
    return row


def note_word(text: str) -> int:
    """Note name as an argument."""
    try:
        return parse_note(text)
    except ValueError as exc:
        raise argparse.ArgumentTypeError(str(exc)) from exc


def analyse_for_library(jobs: int | None) -> Analyse:
    """Return the measuring core in the form the library takes it.

    Parameters
    ----------
    jobs : int or None
        Processes at work; None for as many as there are processors.
    """
    from toneapp import analysis
    from toneapp.analysis import GivenLabel
    from toneapp.keyboard import KeyboardLayout
    from toneapp.library import StrikeLabel
    from toneapp.results import RunResult

    def measure(
        path: Path,
        *,
        layout: KeyboardLayout,
        a4_hz: float,
        order: str | None,
        labels: Sequence[StrikeLabel],
        channel: str,
        calibration_db: float | None,
        progress: Callable[[float], None],
    ) -> RunResult:
        return analysis.analyse(
            path,
            layout=layout,
            a4_hz=a4_hz,
            order=order,
            labels=[
                GivenLabel(
                    onset_s=label.onset_s,
                    midi=label.midi,
                    exact_onset_s=label.exact_onset_s,
                    release_s=label.release_s,
                )
                for label in labels
            ],
            channel=channel,
            calibration_db=calibration_db,
            jobs=jobs,
            progress=progress,
        )

    return measure
