"""What do all commands for the library have in common?

Functions: `library_parent`, `json_parent`, `open_library`, `answer`, `rows_json`, `note_word`,
`moment_text`, `count_text`.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from toneapp.cli.streams import say, say_bytes
from toneapp.keyboard import Compass
from toneapp.pitch import parse_note
from toneapp.saving import write_atomically

if TYPE_CHECKING:
    from toneapp.library import Library

__all__ = [
    "STANDARD_OUTPUT",
    "answer",
    "count_text",
    "json_bytes",
    "json_parent",
    "library_parent",
    "moment_text",
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


def moment_text(moment: str) -> str:
    """Say a moment of the library to the minute.

    Examples
    --------
    >>> moment_text("2024-05-31T14:30:07.100Z"), moment_text("2024-05-31")
    ('2024-05-31 14:30 UTC', '2024-05-31')
    """
    text = moment[:16].replace("T", " ")
    return f"{text} UTC" if moment.endswith("Z") and len(text) > 10 else text


def count_text(number: int, noun: str) -> str:
    """Say how many there are.

    Examples
    --------
    >>> count_text(1, "run"), count_text(0, "item")
    ('1 run', '0 items')
    """
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
