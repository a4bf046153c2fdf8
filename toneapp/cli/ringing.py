"""``toneapp ringing``: which notes ring on, which strings are heard, what changed.

Functions: `add_command`, `run_ringing`, `ringing_text`, `ringing_change_text`, `matrix_text`,
`ringing_json`, `ringing_csv`, `ringing_change_json`, `ringing_change_csv`.
"""

from __future__ import annotations

import argparse
import csv
import io
import textwrap
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from toneapp.cli.library_words import (
    STANDARD_OUTPUT,
    answer,
    json_parent,
    library_parent,
    note_word,
    open_library,
)
from toneapp.cli.picture import draw_ringing
from toneapp.cli.streams import progress_line
from toneapp.errors import InputError
from toneapp.evenness import load_advice
from toneapp.evenness.level_change import LevelChange, Trend
from toneapp.evenness.ringing_change import RingingChange, ringing_change
from toneapp.evenness.ringing_matrix import RingingMatrix, ringing_matrix
from toneapp.evenness.ringing_words import (
    echo_reason,
    level_change_text,
    suspect_reason,
    treble_change_text,
    treble_text,
    trend_text,
)
from toneapp.keyboard import KeyboardLayout
from toneapp.pitch import note_name
from toneapp.results import Cause, RunResult
from toneapp.saving import check_picture_name, write_atomically
from toneapp.wording import note_list_text, quantity_text

__all__ = [
    "add_command",
    "matrix_text",
    "ringing_change_csv",
    "ringing_change_json",
    "ringing_change_text",
    "ringing_csv",
    "ringing_json",
    "ringing_text",
    "run_ringing",
]

RINGING_FORMAT = "toneapp-ringing/1"
CHANGE_FORMAT = "toneapp-ringing-change/1"
WIDTH = 79
MOST_LISTED = 12
MOST_ROWS = 24

_SIGNS = ((-25.0, "#"), (-35.0, "+"), (-45.0, "-"), (-np.inf, "."))
"""Signs of the matrix by level in dB; plain ones, told apart without colour."""

_CAUSE_SIGNS = {
    Cause.OWN_DAMPER: "o",
    Cause.OTHER_DAMPER: "d",
    Cause.UNDAMPED: "u",
    Cause.NO_KEY: "?",
}

_BOOTSTRAP_KEY = 1986  # fixed, so that the same two runs always give the same interval


def add_command(commands: Any, *, parents: list[argparse.ArgumentParser]) -> None:
    """Add the command's options to the parser."""
    parser = commands.add_parser(
        "ringing",
        parents=[*parents, library_parent(), json_parent()],
        help="which notes ring on, which strings are heard and which dampers to check",
        description="Tell what sounds after the release in a run, best one of short detached "
        "blows; with two runs, what changed (dampers fitted, eased or not). A run is a number in "
        "the library, the JSON of an analysis, or a recording.",
        allow_abbrev=False,
    )
    parser.add_argument(
        "before", metavar="RUN_OR_FILE", help="the run, or the one before the work"
    )
    parser.add_argument("after", nargs="?", metavar="RUN_OR_FILE", help="the one after it")
    parser.add_argument("--csv", metavar="OUT", help="write a table, one row a key and string")
    parser.add_argument(
        "--picture", metavar="OUT.png", help="draw struck keys against ringing strings"
    )
    parser.add_argument("--short", action="store_true", help="without matrix and advice")
    parser.add_argument(
        "--last-damper",
        type=note_word,
        metavar="NOTE",
        help="highest note with a damper, for recordings (read from the run if not given)",
    )
    parser.add_argument("--jobs", type=int, metavar="N", help="processes at work")
    parser.set_defaults(run=run_ringing)


def run_ringing(arguments: argparse.Namespace) -> None:
    """Carry out the command.

    Raises
    ------
    ToneappError
        If a run cannot be had or a result not be written.
    """
    if STANDARD_OUTPUT in (arguments.csv, arguments.picture):
        raise InputError('only --json can go to the output with "-"; name a file')
    if arguments.picture is not None:
        check_picture_name(arguments.picture)
    names = [name for name in (arguments.before, arguments.after) if name is not None]
    runs = [_load(name, arguments) for name in names]
    if len(runs) == 1:
        run = runs[0]
        matrix = ringing_matrix(run)
        table, data = ringing_csv(matrix), ringing_json(run, matrix)
        text = ringing_text(run, matrix, is_full=not arguments.short)
    else:
        change = ringing_change(*runs, rng=np.random.default_rng(_BOOTSTRAP_KEY))
        table, data = ringing_change_csv(change), ringing_change_json(change)
        text = ringing_change_text(change, names=[Path(name).name for name in names])
    if arguments.csv is not None:
        write_atomically(arguments.csv, table)
    if arguments.picture is not None:
        draw_ringing(runs, arguments.picture)
    answer(arguments, data, text)


def _load(name: str, arguments: argparse.Namespace) -> RunResult:
    """Get a run by its number in the library, its JSON, or its recording."""
    if name.isdecimal() and not Path(name).exists():
        with open_library(arguments) as library:
            return library.run_with_result(int(name)).result
    path = Path(name)
    if path.suffix.lower() == ".json":
        from toneapp.interchange import run_from_bytes

        try:
            content = path.read_bytes()
        except OSError as exc:
            raise InputError(f"{name} cannot be read: {exc.strerror}; check its name") from exc
        return run_from_bytes(content)
    from toneapp.analysis import analyse

    with progress_line(f"measuring {path.name}") as progress:
        return analyse(
            path,
            layout=KeyboardLayout(last_damper_midi=arguments.last_damper),
            jobs=arguments.jobs,
            progress=progress,
        )


def ringing_text(run: RunResult, matrix: RingingMatrix, *, is_full: bool = True) -> str:
    """Tell what rings in a run, in lines of at most 79 signs."""
    ring_on = run.ring_on
    lines = [f"What rings on in {run.source or 'the run'}"]
    if ring_on is None:
        lines += _fold("No strike shows a release: play short, detached blows.", 0)
        return "\n".join(lines) + "\n"
    how = "given" if ring_on.last_damper_is_given else "as the run shows it"
    room = quantity_text(ring_on.room_t60_s, "s", decimals=2)
    lines += [
        f"  Dampers up to    {note_name(ring_on.last_damper_midi)} ({how})",
        f"  Room             T60 {room}, taken out",
        *_fold(f"  Treble echo      {treble_text(ring_on)}", 19),
        "",
        *_suspect_lines(run),
        "",
        *_echo_lines(run),
        "",
        *_note_lines(matrix),
    ]
    if is_full and matrix.cells:
        lines += ["", *matrix_text(matrix), *_advice_lines({cell.cause for cell in matrix.cells})]
    return "\n".join(lines) + "\n"


def _suspect_lines(run: RunResult) -> list[str]:
    assert run.ring_on is not None
    suspects = run.ring_on.suspects
    if not suspects:
        return ["Suspect dampers: none"]
    lines = [f"Suspect dampers: {len(suspects)}, most suspect first"]
    for suspect in suspects[:MOST_LISTED]:
        lines += _fold(f"  {suspect.note:<5} {suspect_reason(suspect)}", 8)
    return lines + _more(len(suspects))


def _echo_lines(run: RunResult) -> list[str]:
    assert run.ring_on is not None
    echoes = run.ring_on.echo_strings
    if not echoes:
        return ["Echo strings: none"]
    lines = [f"Echo strings: {len(echoes)}, most heard first"]
    for echo in echoes[:MOST_LISTED]:
        lines += _fold(f"  {echo.note:<5} {echo_reason(echo)}", 8)
    return lines + _more(len(echoes))


def _note_lines(matrix: RingingMatrix) -> list[str]:
    ringing = sorted({cell.struck_midi for cell in matrix.cells})
    if not ringing:
        return [f"Notes after which something rings: none of {len(matrix.struck)}"]
    return _fold(
        f"Notes after which something rings: {len(ringing)} of {len(matrix.struck)} "
        f"({note_list_text(ringing)})",
        2,
    )


def _more(count: int) -> list[str]:
    return [f"  and {count - MOST_LISTED} more (all with --json)"] if count > MOST_LISTED else []


def matrix_text(matrix: RingingMatrix) -> list[str]:
    """Draw the matrix in signs: a row a ringing string, a column a struck key.

    Parameters
    ----------
    matrix : RingingMatrix
        With at least one cell.

    Returns
    -------
    list of str
        Lines of at most 79 signs when the struck keys are 69 or fewer. More strings than
        `MOST_ROWS`: those with the most energy.
    """
    low, high = matrix.struck[0], matrix.struck[-1]
    energy = {
        midi: sum(10.0 ** (cell.level_db / 10.0) for cell in matrix.of_string(midi))
        for midi in matrix.strings
    }
    chosen = sorted(sorted(energy, key=lambda midi: -energy[midi])[:MOST_ROWS], reverse=True)
    scale = [" "] * (high - low + 4)
    for midi in range(low, high + 1):
        if midi % 12 == 0:
            scale[midi - low : midi - low + 2] = note_name(midi)[:2]
    lines = [
        "Ringing string (row) after struck key (column); u undamped, d another damper,",
        "o its own damper, ? no key; # from −25 dB, + −35, - −45, . weaker",
        f"        {''.join(scale).rstrip()}",
    ]
    for midi in chosen:
        row = [" "] * (high - low + 1)
        causes = set()
        for cell in matrix.of_string(midi):
            row[cell.struck_midi - low] = next(s for least, s in _SIGNS if cell.level_db >= least)
            causes.add(_CAUSE_SIGNS[cell.cause])
        name = note_name(midi) if midi else "none"
        lines.append(f"{name:>4} {''.join(sorted(causes)):<2} {''.join(row).rstrip()}")
    if len(energy) > len(chosen):
        lines.append(f"and {len(energy) - len(chosen)} weaker strings")
    return lines


def _advice_lines(causes: set[Cause]) -> list[str]:
    book = load_advice()
    lines: list[str] = []
    cautions: dict[str, None] = {}
    for cause in Cause:
        if cause not in causes:
            continue
        advice = book.cause[cause]
        lines += ["", *_fold(f"{advice.title}. {' '.join(advice.reason.split())}", 0)]
        for head, steps in (
            ("Look first at", advice.check_first),
            ("Then, what can be undone", advice.reversible),
            ("Last, what cannot be undone", advice.irreversible),
        ):
            lines.append(f"  {head}")
            lines += [line for step in steps for line in _fold(f"    - {step}", 6)]
        cautions |= dict.fromkeys(caution.text for caution in advice.cautions)
    lines += ["", "Cautions"]
    lines += [line for text in cautions for line in _fold(f"  - {text}", 4)]
    return [*lines, "", *_fold(book.defer, 0)]


def ringing_change_text(change: RingingChange, *, names: Sequence[str]) -> str:
    """Tell what rings less or more, in lines of at most 79 signs."""
    lines = _fold(f"What rings on: {names[0]} (before) and {names[1]} (after)", 2)
    lines += _fold(f"Keys in both runs that show a release: {len(change.common)}", 2)
    for what, keys in (("before", change.only_before), ("after", change.only_after)):
        if keys:
            lines += _fold(f"Only in the run {what}: {note_list_text(keys)}", 2)
    if not change.common:
        lines.append("Nothing can be compared; record both runs with the same keys.")
        return "\n".join(lines) + "\n"
    counts = dict.fromkeys(Trend, 0)
    for pair in change.pairs:
        counts[pair.level.trend] += 1
    lines += ["", *_fold(f"Treble echo: {treble_change_text(change.treble)}", 2), ""]
    lines.append("Strings after keys:")
    lines += [f"  {counts[trend]:>4}  {trend_text(trend)}" for trend in Trend if counts[trend]]
    for head, rows in (
        ("By ringing string (largest change first)", change.strings),
        (
            "By struck key (largest change first)",
            sorted(change.struck, key=lambda item: -abs(item.level.difference_db)),
        ),
    ):
        told = [item for item in rows if item.level.trend not in (Trend.UNCHANGED, Trend.HIDDEN)]
        lines += ["", head if told else f"{head}: no change beyond chance"]
        for item in told[:MOST_LISTED]:
            lines += _fold(
                f"  {item.note:<6} {trend_text(item.level.trend)}: "
                f"{level_change_text(item.level)}",
                9,
            )
        lines += _more(len(told))
    lines += ["", "In square brackets the interval that holds the true value in 19 of 20 cases."]
    return "\n".join(lines) + "\n"


def ringing_json(run: RunResult, matrix: RingingMatrix) -> dict[str, Any]:
    """Turn what rings into the objects of JSON; null is not measured."""
    return {
        "format": RINGING_FORMAT,
        "source": run.source,
        "ring_on": None if run.ring_on is None else asdict(run.ring_on),
        "struck": list(matrix.struck),
        "cells": [asdict(cell) for cell in matrix.cells],
    }


def ringing_csv(matrix: RingingMatrix) -> bytes:
    """Write one row a struck key and ringing string."""
    return _table(
        (
            "struck midi", "struck note", "ringing midi", "ringing note", "partial", "Hz",
            "level (dB re strike)", "T60 (s)", "cause", "heard", "strikes", "could also be",
        ),
        [
            (
                cell.struck_midi, note_name(cell.struck_midi), cell.midi or None, cell.note,
                cell.partial, cell.hz, cell.level_db, cell.t60_s, cell.cause.value, cell.heard,
                cell.strikes, " ".join(note_name(midi) for midi in cell.alternatives),
            )
            for cell in matrix.cells
        ],
    )  # fmt: skip


def ringing_change_json(change: RingingChange) -> dict[str, Any]:
    """Turn a change into the objects of JSON; null is not measured, or open."""
    return {"format": CHANGE_FORMAT, **asdict(change)}


def ringing_change_csv(change: RingingChange) -> bytes:
    """Write one row a struck key and ringing string of either run."""
    return _table(
        (
            "struck midi", "struck note", "ringing midi", "ringing note", "cause before",
            "cause after", "before (dB)", "before is limit", "after (dB)", "after is limit",
            "difference (dB)", "low (dB)", "high (dB)", "trend",
        ),
        [
            (
                pair.struck_midi, note_name(pair.struck_midi), pair.midi or None,
                note_name(pair.midi) if pair.midi else "no key",
                pair.cause_before or "", pair.cause_after or "", *_level_cells(pair.level),
            )
            for pair in change.pairs
        ],
    )  # fmt: skip


def _level_cells(level: LevelChange) -> tuple[object, ...]:
    return (
        level.before_db, "yes" if level.before_is_limit else "no",
        level.after_db, "yes" if level.after_is_limit else "no",
        level.difference_db, level.low_db, level.high_db, level.trend.value,
    )  # fmt: skip


def _table(header: Sequence[str], rows: Sequence[Sequence[object]]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(header)
    for row in rows:
        writer.writerow(
            [
                "" if cell is None else f"{cell:.10g}" if isinstance(cell, float) else str(cell)
                for cell in row
            ]
        )
    return text.getvalue().encode("ascii", errors="replace")


def _fold(text: str, indent: int) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent=" " * indent, break_on_hyphens=False)
