"""``toneapp run``: the runs of the library.

Functions: `add_command`, `run_lines`.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from toneapp.cli.library_words import (
    answer,
    json_parent,
    moment_text,
    note_word,
    open_library,
    rows_json,
)
from toneapp.cli.streams import progress_line, say
from toneapp.cli.summary import run_summary
from toneapp.errors import InputError, NothingFoundError
from toneapp.interchange import run_to_json
from toneapp.measured_library import analyse_with
from toneapp.wording import NOT_MEASURED, quantity_text

if TYPE_CHECKING:
    from toneapp.library import Library, Run, Take

__all__ = ["add_command", "run_lines"]

_FACTS = (
    "condition", "purpose", "recorded_at", "place", "microphone", "distance_m", "gain_note",
    "calibration_db", "channel", "note_order", "notes",
)  # fmt: skip


def add_command(commands: Any, *, parents: list[argparse.ArgumentParser]) -> None:
    """Add the command and its words to the parser."""
    group = commands.add_parser(
        "run",
        help="the runs of the library",
        description="Import, list, show, measure, change and remove runs, and correct strikes.",
        allow_abbrev=False,
    )
    words = group.add_subparsers(title="what to do", metavar="WHAT", required=True)
    with_json = [*parents, json_parent()]

    add = words.add_parser(
        "import", parents=with_json, help="take a recording in and measure it", allow_abbrev=False
    )
    add.add_argument("recording", metavar="FILE_OR_FOLDER", help="the sound to take in")
    add.add_argument("--instrument", required=True, metavar="INSTRUMENT", help="number or name")
    add.add_argument("--later", action="store_true", help="take it in only; measure it later")
    _add_facts(add)
    _add_jobs(add)
    add.set_defaults(run=_run_import)

    again = words.add_parser(
        "again", parents=with_json, help="add notes that were recorded again", allow_abbrev=False
    )
    _add_run(again)
    again.add_argument("recording", metavar="FILE_OR_FOLDER", help="the notes anew")
    again.add_argument(
        "--replace",
        action="store_true",
        help="count these blows in place of the earlier ones (without it they stand beside)",
    )
    again.add_argument("--note", default="", metavar="TEXT", help="what was done before")
    again.add_argument("--later", action="store_true", help="take it in only; measure it later")
    _add_jobs(again)
    again.set_defaults(run=_run_again)

    listing = words.add_parser("list", parents=with_json, help="list the runs", allow_abbrev=False)
    listing.add_argument("--instrument", metavar="INSTRUMENT", help="only of this one")
    listing.set_defaults(run=_run_list)

    show = words.add_parser("show", parents=with_json, help="show a run", allow_abbrev=False)
    _add_run(show)
    show.add_argument(
        "--as-recorded", action="store_true", help="without corrections and notes recorded again"
    )
    show.set_defaults(run=_run_show)

    measure = words.add_parser(
        "measure", parents=with_json, help="measure again from the sound", allow_abbrev=False
    )
    measure.add_argument(
        "which", nargs="*", type=int, metavar="RUN", help="all that are not up to date, if none"
    )
    _add_jobs(measure)
    measure.set_defaults(run=_run_measure)

    change = words.add_parser(
        "change", parents=with_json, help="change the facts of a run", allow_abbrev=False
    )
    _add_run(change)
    _add_facts(change)
    change.set_defaults(run=_run_change)

    strike = words.add_parser(
        "strike", parents=with_json, help="correct one strike", allow_abbrev=False
    )
    _add_run(strike)
    strike.add_argument("onset_s", type=float, metavar="SECONDS", help="its time, as measured")
    what = strike.add_mutually_exclusive_group(required=True)
    what.add_argument("--note", type=note_word, metavar="NOTE", help="this key was struck")
    what.add_argument("--discard", action="store_true", help="do not count it")
    what.add_argument("--restore", action="store_true", help="take a correction back")
    strike.add_argument("--take", type=int, default=1, metavar="N", help="of this take (1)")
    strike.add_argument("--part", default="", metavar="FILE", help="of this file of the take")
    strike.set_defaults(run=_run_strike)

    remove = words.add_parser(
        "remove", parents=parents, help="lay a run in the bin", allow_abbrev=False
    )
    _add_run(remove)
    remove.set_defaults(run=_run_remove)


def _add_run(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("which", type=int, metavar="RUN", help="its number")


def _add_jobs(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--jobs", type=int, metavar="N", help="processes at work")


def _add_facts(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--condition", metavar="TEXT", help='such as "before refacing"')
    parser.add_argument("--purpose", choices=("evenness", "ring-on", "repetition"))
    parser.add_argument(
        "--date", dest="recorded_at", metavar="DATE", help="when, like 2024-05-31T14:30"
    )
    parser.add_argument("--place", metavar="TEXT", help="room and place in it")
    parser.add_argument("--microphone", metavar="TEXT")
    parser.add_argument("--distance", dest="distance_m", type=float, metavar="M")
    parser.add_argument("--gain", dest="gain_note", metavar="TEXT", help="how the input was set")
    parser.add_argument(
        "--calibration", dest="calibration_db", type=float, metavar="DB",
        help="sound pressure level of full scale in dB",
    )  # fmt: skip
    parser.add_argument("--channel", metavar="WHICH", help="auto, average, left, right, a number")
    parser.add_argument("--order", dest="note_order", choices=("ascending", "descending", "free"))
    parser.add_argument("--notes", metavar="TEXT")


def _facts(arguments: argparse.Namespace) -> dict[str, Any]:
    from toneapp.library import Purpose

    facts = {name: getattr(arguments, name) for name in _FACTS}
    facts = {name: value for name, value in facts.items() if value is not None}
    if "purpose" in facts:
        facts["purpose"] = Purpose(facts["purpose"])
    return facts


def _run_import(arguments: argparse.Namespace) -> None:
    from toneapp.library import Run

    facts = _facts(arguments)
    with open_library(arguments) as library:
        instrument = library.instruments.find(arguments.instrument)
        with progress_line("taking in") as progress:
            made = library.runs.add(
                Run(instrument_id=instrument.id, **facts),
                Path(arguments.recording),
                progress=progress,
            )
        if not arguments.later:
            _measure(library, made.id, arguments.jobs)
        _show(library, made, arguments)


def _run_again(arguments: argparse.Namespace) -> None:
    with open_library(arguments) as library:
        run = library.runs.get(arguments.which)
        with progress_line("taking in") as progress:
            take = library.runs.add_take(
                run,
                Path(arguments.recording),
                replaces=arguments.replace,
                note=arguments.note,
                progress=progress,
            )
        if not arguments.later:
            _measure(library, run.id, arguments.jobs)
    answer(arguments, rows_json(take), f"Take {take.number} added to run {run.id}")


def _measure(library: Library, run_id: int, jobs: int | None) -> None:
    with progress_line(f"measuring run {run_id}") as progress:
        library.measuring.measure(run_id, analyse_with(jobs), progress=progress)


def _run_list(arguments: argparse.Namespace) -> None:
    with open_library(arguments) as library:
        instrument_id = None
        if arguments.instrument is not None:
            instrument_id = library.instruments.find(arguments.instrument).id
        runs = library.runs.all(instrument_id)
        lines = run_lines(library, runs, with_instrument=instrument_id is None)
        figures = library.measuring.figures([run.id for run in runs])
    data = [rows_json(run) | {"figures": rows_json(figures.get(run.id))} for run in runs]
    answer(arguments, data, "\n".join(lines))


def run_lines(
    library: Library, runs: Sequence[Run], *, with_instrument: bool = False
) -> list[str]:
    """Tell runs, one line each."""
    if not runs:
        return ["No runs yet; take one in with: toneapp run import FILE --instrument NUMBER"]
    figures = library.measuring.figures([run.id for run in runs])
    names = {item.id: item.name for item in library.instruments.all()} if with_instrument else {}
    lines = []
    for run in runs:
        found = figures.get(run.id)
        state = NOT_MEASURED
        if found is not None:
            level = quantity_text(found.level_evenness_db, "dB")
            bright = quantity_text(found.brightness_evenness_oct, "oct", decimals=2)
            state = f"{found.notes} notes, {found.raised} raised, uneven by {level}, {bright}"
            state += "" if found.is_current else " (measure again)"
        name = f"{names[run.instrument_id]}: " if with_instrument else ""
        lines.append(
            f"{run.id:>4}  {run.recorded_at[:10]}  {name}{run.condition or run.purpose.value}"
        )
        lines.append(f"      {state}")
    return lines


def _run_show(arguments: argparse.Namespace) -> None:
    with open_library(arguments) as library:
        _show(library, library.runs.get(arguments.which), arguments)


def _show(library: Library, run: Run, arguments: argparse.Namespace) -> None:
    as_recorded = getattr(arguments, "as_recorded", False)
    result = library.measuring.result(run.id, as_recorded=as_recorded)
    takes = library.runs.takes(run.id)
    instrument = library.instruments.get(run.instrument_id)
    data = rows_json(run) | {
        "instrument": instrument.name,
        "takes": rows_json(takes),
        "result": None if result is None else run_to_json(result),
    }
    rows = [
        ("Instrument", f"{instrument.name} ({instrument.id})"),
        ("Condition", run.condition),
        ("Purpose", run.purpose.value),
        ("Recorded", moment_text(run.recorded_at)),
        ("Place", run.place),
        ("Microphone", run.microphone),
        ("Distance", "" if run.distance_m is None else f"{run.distance_m:g} m"),
        ("Input", run.gain_note),
        ("Notes", run.notes),
        *(("Again", _take_text(take)) for take in takes[1:]),
    ]
    lines = [f"Run {run.id}", *(f"  {label:<12}{text}" for label, text in rows if text), ""]
    lines.append(
        run_summary(result).rstrip("\n")
        if result is not None
        else f"Not measured yet; measure it with: toneapp run measure {run.id}"
    )
    answer(arguments, data, "\n".join(lines))


def _take_text(take: Take) -> str:
    how = "in place of earlier blows" if take.replaces else "beside the run"
    where = ", in the bin" if take.deleted_at is not None else ""
    note = f": {take.note}" if take.note else ""
    return f"take {take.number}, {take.recorded_at[:10]}, {how}{where}{note}"


def _run_measure(arguments: argparse.Namespace) -> None:
    with open_library(arguments) as library:
        wanted = list(dict.fromkeys(arguments.which))
        if not wanted:
            runs = library.runs.all()
            figures = library.measuring.figures([run.id for run in runs])
            wanted = [
                run.id for run in runs if run.id not in figures or not figures[run.id].is_current
            ]
        silent = []
        for run_id in wanted:
            try:
                _measure(library, run_id, arguments.jobs)
            except NothingFoundError as exc:
                if arguments.which:
                    raise
                silent.append((run_id, str(exc)))
        figures = library.measuring.figures(wanted)
    lines = [
        f"Run {run_id} measured; see it with: toneapp run show {run_id}"
        for run_id in wanted
        if run_id in figures
    ]
    lines += [f"Run {run_id}: {why}" for run_id, why in silent]
    data = [{"run": run_id, "figures": rows_json(figures.get(run_id))} for run_id in wanted]
    answer(arguments, data, "\n".join(lines) or "All runs are up to date")


def _run_change(arguments: argparse.Namespace) -> None:
    facts = _facts(arguments)
    if not facts:
        raise InputError("nothing to change was named; see toneapp run change --help")
    with open_library(arguments) as library:
        made = library.runs.change(replace(library.runs.get(arguments.which), **facts))
    answer(arguments, rows_json(made), f"Run {made.id} changed")


def _run_strike(arguments: argparse.Namespace) -> None:
    with open_library(arguments) as library:
        takes = library.runs.takes(library.runs.get(arguments.which).id)
        take = next((item for item in takes if item.number == arguments.take), None)
        if take is None:
            raise InputError(f"run {arguments.which} has no take {arguments.take}; look at it")
        if arguments.restore:
            near = [
                edit
                for edit in library.strikes.of_take(take.id)
                if edit.part == arguments.part and abs(edit.onset_s - arguments.onset_s) <= 0.15
            ]
            if not near:
                raise InputError(f"nothing was said about a strike at {arguments.onset_s:g} s")
            library.strikes.restore(min(near, key=lambda e: abs(e.onset_s - arguments.onset_s)))
            text = "The strike counts as it was measured"
        elif arguments.discard:
            library.strikes.discard(take.id, arguments.onset_s, part=arguments.part)
            text = "The strike is not counted"
        else:
            library.strikes.relabel(
                take.id, arguments.onset_s, arguments.note, part=arguments.part
            )
            text = f"Noted; it counts after: toneapp run measure {arguments.which}"
        edits = library.strikes.of_take(take.id)
    answer(arguments, rows_json(edits), text)


def _run_remove(arguments: argparse.Namespace) -> None:
    with open_library(arguments) as library:
        library.runs.remove(library.runs.get(arguments.which))
    say(
        f"Run {arguments.which} lies in the bin; back with: toneapp bin restore run "
        f"{arguments.which}"
    )
