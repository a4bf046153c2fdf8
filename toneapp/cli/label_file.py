"""How does a user name the strikes of a run by hand?

A table with a header line and the columns ``onset_s`` (seconds from the start of the recording)
and ``note`` (such as D#4) or ``midi``; an empty note or a hyphen says that there is no strike.
Commas, semicolons or tabs between the cells; with semicolons or tabs a decimal comma is
understood. A column ``release_s`` may say where the damper acts, and ``exact_onset_s`` where the
strike begins when it was not heard exactly; empty cells leave what was heard. Other columns are
left out, so that a table written by ``analyse --csv`` can be corrected and given back.

Functions: `read_labels`, `parse_labels`.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path
from typing import TYPE_CHECKING

from toneapp.errors import InputError
from toneapp.keyboard import HIGHEST_MIDI, LOWEST_MIDI
from toneapp.pitch import note_name, parse_note

if TYPE_CHECKING:  # the analysis is slow to load, and help must not wait for it
    from toneapp.analysis import GivenLabel

__all__ = ["parse_labels", "read_labels"]

_ONSET_HEADERS = ("onset_s", "onset (s)", "onset")
_RELEASE_HEADERS = ("release_s", "release (s)", "release")
_EXACT_HEADERS = ("exact_onset_s", "exact onset (s)")
_NO_STRIKE = ("", "-", "–")
_LARGEST_BYTES = 10_000_000
"""A label file of an hour of strikes has less than 100 kB; more is another kind of file."""


def read_labels(path: str | Path) -> list[GivenLabel]:
    """Read the labels of a file.

    Parameters
    ----------
    path : str or Path
        A table as described above, in UTF-8.

    Returns
    -------
    list of GivenLabel
        In the order of time.

    Raises
    ------
    InputError
        If the file cannot be read or a line not be understood; the message names the line.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST_BYTES + 1)
    except (OSError, ValueError) as exc:
        why = getattr(exc, "strerror", None) or exc
        raise InputError(f"the label file {path} cannot be read: {why}; check its name") from exc
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        raise InputError(
            f"the label file {path} is not text in UTF-8; save it as CSV UTF-8 and try again"
        ) from exc
    if len(content) > _LARGEST_BYTES:
        raise InputError(f"{path} is too large for a label file; check its name")
    return parse_labels(text, name=path.name)


def parse_labels(text: str, *, name: str) -> list[GivenLabel]:
    r"""Read labels from the text of a table.

    Parameters
    ----------
    text : str
        The table, with its header line.
    name : str
        What the messages call it.

    Returns
    -------
    list of GivenLabel
        In the order of time.

    Raises
    ------
    InputError
        If a line cannot be understood.

    Examples
    --------
    >>> parse_labels("onset_s,note\n0.61,A0\n", name="labels.csv")
    [GivenLabel(onset_s=0.61, midi=21, exact_onset_s=None, release_s=None)]
    """
    from toneapp.analysis import GivenLabel

    first = text.partition("\n")[0]
    separator = next((sign for sign in (";", "\t") if sign in first), ",")
    rows = csv.reader(text.splitlines(), delimiter=separator, strict=True)
    labels: list[GivenLabel] = []
    try:
        header = [cell.strip().lower() for cell in next(rows, [])]
        onset_column = _column(header, _ONSET_HEADERS)
        exact_column = _column(header, _EXACT_HEADERS)
        release_column = _column(header, _RELEASE_HEADERS)
        key = next((key for key in ("note", "midi") if key in header), None)
        if onset_column is None or key is None:
            raise InputError(
                f"{name}: the first line must name the columns onset_s and note (or midi), "
                f"it holds {', '.join(header)[:60]!r}"
            )
        key_column = header.index(key)
        for row in rows:
            if not any(cell.strip() for cell in row):
                continue
            place = f"{name}, line {rows.line_num}"
            if len(row) <= max(onset_column, key_column):
                raise InputError(f"{place}: a cell is missing; each line needs a time and a note")
            onset_s = _parse_seconds(row[onset_column], place, separator)
            exact_s = _parse_bound(row, exact_column, place, separator)
            release_s = _parse_bound(row, release_column, place, separator)
            begin_s = onset_s if exact_s is None else exact_s
            if release_s is not None and release_s <= begin_s:
                raise InputError(
                    f"{place}: the release at {release_s:g} s is not after the onset at "
                    f"{begin_s:g} s; correct one of them"
                )
            midi = _parse_key(row[key_column], key, place)
            labels.append(
                GivenLabel(
                    onset_s=onset_s,
                    midi=midi,
                    exact_onset_s=None if midi is None else exact_s,
                    release_s=None if midi is None else release_s,
                    place=place,
                )
            )
    except csv.Error as exc:
        raise InputError(f"{name}, line {rows.line_num}: {exc}; correct the line") from exc
    if not labels:
        raise InputError(f"{name} holds no label; add a line such as 0.61{separator}A0")
    return sorted(labels, key=lambda label: label.onset_s)


def _column(header: list[str], names: tuple[str, ...]) -> int | None:
    return next((header.index(name) for name in names if name in header), None)


def _parse_bound(row: list[str], column: int | None, place: str, separator: str) -> float | None:
    """Time in a cell that may be empty or missing."""
    if column is None or column >= len(row) or row[column].strip() in _NO_STRIKE:
        return None
    return _parse_seconds(row[column], place, separator)


def _parse_seconds(cell: str, place: str, separator: str) -> float:
    text = cell.strip()
    if separator != ",":
        text = text.replace(",", ".")
    try:
        onset_s = float(text)
    except ValueError:
        onset_s = math.nan
    if not 0.0 <= onset_s < math.inf:
        raise InputError(f"{place}: {cell!r} is not a time in seconds; write it as 12.34")
    return onset_s


def _parse_key(cell: str, key: str, place: str) -> int | None:
    text = cell.strip()
    if text in _NO_STRIKE:
        return None
    try:
        midi = parse_note(text) if key == "note" else int(text)
    except ValueError as exc:
        kind = "a note name such as A0 or D#4" if key == "note" else "a MIDI number such as 69"
        raise InputError(f"{place}: {cell!r} is not {kind}") from exc
    if not LOWEST_MIDI <= midi <= HIGHEST_MIDI:
        lowest, highest = note_name(LOWEST_MIDI), note_name(HIGHEST_MIDI)
        raise InputError(f"{place}: {cell!r} is no key of a piano ({lowest} to {highest})")
    return midi
