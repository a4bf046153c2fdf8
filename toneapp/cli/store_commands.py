"""``toneapp compare``, ``find``, ``bin``, ``archive`` and ``library``.

Functions: `add_command`.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from toneapp.cli.library_words import (
    STANDARD_OUTPUT,
    answer,
    count_text,
    json_parent,
    moment_text,
    open_library,
    rows_json,
)
from toneapp.cli.streams import progress_line, say, say_bytes
from toneapp.errors import InputError, LibraryError, OutputError
from toneapp.saving import write_atomically

__all__ = ["add_command"]


def add_command(commands: Any, *, parents: list[argparse.ArgumentParser]) -> None:
    """Add the commands and their words to the parser."""
    with_json = [*parents, json_parent()]
    compare = commands.add_parser(
        "compare",
        parents=with_json,
        help="before and after, or several instruments",
        description="Two runs of one instrument are compared as before and after; 2 to 6 runs of "
        "several instruments stand side by side.",
        allow_abbrev=False,
    )
    compare.add_argument("runs", nargs="+", type=int, metavar="RUN", help="numbers of 2 to 6 runs")
    compare.add_argument("--csv", metavar="OUT", help="write the figures as a table")
    compare.add_argument(
        "--side-by-side", action="store_true", help="also when both are of one instrument"
    )
    compare.set_defaults(run=_run_compare)

    find = commands.add_parser(
        "find", parents=with_json, help="search instruments and runs", allow_abbrev=False
    )
    find.add_argument("words", nargs="+", metavar="WORD", help="all of them must be found")
    find.set_defaults(run=_run_find)
    _add_bin(commands, parents, with_json)
    _add_archive(commands, parents, with_json)
    _add_library(commands, parents, with_json)


def _group(commands: Any, name: str, text: str) -> Any:
    group = commands.add_parser(name, help=text, description=f"{text[0].upper()}{text[1:]}.",
                                allow_abbrev=False)  # fmt: skip
    return group.add_subparsers(title="what to do", metavar="WHAT", required=True)


def _word(
    words: Any, name: str, text: str, run: Any, parents: list[argparse.ArgumentParser]
) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = words.add_parser(
        name, parents=parents, help=text, description=f"{text[0].upper()}{text[1:]}.",
        allow_abbrev=False,
    )  # fmt: skip
    parser.set_defaults(run=run)
    return parser


def _add_bin(
    commands: Any,
    parents: list[argparse.ArgumentParser],
    with_json: list[argparse.ArgumentParser],
) -> None:
    words = _group(commands, "bin", "what was removed and can come back")
    _word(words, "list", "list what lies in the bin", _run_bin_list, with_json)
    restore = _word(words, "restore", "bring something back", _run_bin_restore, parents)
    restore.add_argument("kind", choices=("instrument", "run", "take", "item", "weights"))
    restore.add_argument("number", type=int, metavar="NUMBER")
    empty = _word(words, "empty", "remove it for good", _run_bin_empty, parents)
    empty.add_argument("--yes", action="store_true", help="do not ask")


def _add_archive(
    commands: Any,
    parents: list[argparse.ArgumentParser],
    with_json: list[argparse.ArgumentParser],
) -> None:
    words = _group(commands, "archive", "back up and move instruments as one file")
    out = _word(words, "export", "write an archive", _run_archive_export, parents)
    out.add_argument("file", metavar="FILE.zip")
    out.add_argument(
        "--instrument", action="append", metavar="INSTRUMENT", help="only this one (repeatable)"
    )
    look = _word(words, "look", "tell what an archive holds", _run_archive_look, with_json)
    look.add_argument("file", metavar="FILE.zip")
    taking = _word(words, "import", "take an archive in", _run_archive_import, with_json)
    taking.add_argument("file", metavar="FILE.zip")
    taking.add_argument(
        "--on-duplicate",
        choices=("refuse", "skip", "keep-both"),
        default="refuse",
        help="with instruments that are here already: refuse all (usual), skip what is here, or "
        "keep both",
    )


def _add_library(
    commands: Any,
    parents: list[argparse.ArgumentParser],
    with_json: list[argparse.ArgumentParser],
) -> None:
    words = _group(commands, "library", "the library as a whole")
    _word(words, "where", "tell the folder of the library", _run_where, with_json)
    check = _word(words, "check", "look for damage", _run_check, with_json)
    check.add_argument("--quick", action="store_true", help="without reading all the sound")
    left = _word(words, "leftovers", "sound that belongs to no run", _run_leftovers, with_json)
    left.add_argument("--adopt", metavar="INSTRUMENT", help="make runs of them")
    left.add_argument("--remove", action="store_true", help="remove them for good")
    left.add_argument("--yes", action="store_true", help="do not ask")
    _word(words, "history", "list what was done", _run_history, with_json)
    for name, text, run in (
        ("undo", "take the last edit back", _run_undo),
        ("redo", "do again what was undone", _run_redo),
    ):
        turn = _word(words, name, text, run, parents)
        turn.add_argument("act", nargs="?", type=int, metavar="ACT", help="number in the history")
    out = _word(words, "export", "write everything but the sound", _run_export, parents)
    out.add_argument("--json", metavar="OUT", help='one JSON file ("-": to the output)')
    out.add_argument("--tables", metavar="DIR", help="one CSV table a subject, into this folder")


def _run_compare(arguments: argparse.Namespace) -> None:
    from toneapp.library import (
        before_after_csv,
        before_after_json,
        before_after_text,
        instruments_csv,
        instruments_json,
        instruments_text,
    )

    with open_library(arguments) as library:
        owners = {library.runs.get(run_id).instrument_id for run_id in arguments.runs}
        is_one = len(owners) == 1 and len(arguments.runs) == 2 and not arguments.side_by_side
        if is_one:
            pair = library.compare_before_after(*arguments.runs)
            data, text, table = (
                before_after_json(pair), before_after_text(pair), before_after_csv(pair),
            )  # fmt: skip
        else:
            side = library.compare_instruments(arguments.runs)
            data, text, table = (
                instruments_json(side), instruments_text(side), instruments_csv(side),
            )  # fmt: skip
    if arguments.csv is not None:
        write_atomically(arguments.csv, table)
    answer(arguments, data, text)


def _run_find(arguments: argparse.Namespace) -> None:
    with open_library(arguments) as library:
        hits = library.search(" ".join(arguments.words))
    lines = [f"{hit.kind:<11}{hit.id:>4}  {hit.title}  {hit.detail}".rstrip() for hit in hits]
    answer(arguments, rows_json(hits), "\n".join(lines) or "Nothing found")


def _run_bin_list(arguments: argparse.Namespace) -> None:
    with open_library(arguments) as library:
        items = library.bin.items()
    lines = [
        f"{item.kind:<11}{item.id:>4}  {item.deleted_at[:10]}  {item.title}"
        + (f"  ({item.bytes / 1e6:.1f} MB)" if item.bytes else "")
        for item in items
    ]
    answer(arguments, rows_json(items), "\n".join(lines) or "The bin is empty")


def _run_bin_restore(arguments: argparse.Namespace) -> None:
    with open_library(arguments) as library:
        library.bin.restore(arguments.kind, arguments.number)
    say(f"The {arguments.kind} {arguments.number} is back")


def _run_bin_empty(arguments: argparse.Namespace) -> None:
    with open_library(arguments) as library:
        items = library.bin.items()
        if not items:
            say("The bin is empty")
            return
        _ask(arguments, f"Remove {count_text(len(items), 'thing')} for good, with their sound?")
        freed = library.bin.empty(items)
    say(f"{count_text(len(items), 'thing')} removed; {freed / 1e6:.1f} MB are free again")


def _ask(arguments: argparse.Namespace, question: str) -> None:
    """Go on only with a yes.

    Raises
    ------
    InputError
        If the answer is another, or no one is there to give it.
    """
    if arguments.yes:
        return
    if not sys.stdin.isatty():
        raise InputError("this cannot be undone; say --yes if it is meant")
    say(f"{question} This cannot be undone. Type yes:")
    if sys.stdin.readline().strip().lower() not in ("yes", "y"):
        raise InputError("nothing was removed")


def _run_archive_export(arguments: argparse.Namespace) -> None:
    with open_library(arguments) as library:
        chosen = None
        if arguments.instrument is not None:
            chosen = [library.instruments.find(words).id for words in arguments.instrument]
        with progress_line("exporting") as progress:
            count = library.export_archive(
                arguments.file, instrument_ids=chosen, progress=progress
            )
    say(f"{count_text(count, 'instrument')} written to {arguments.file}")


def _run_archive_look(arguments: argparse.Namespace) -> None:
    with open_library(arguments, can_create=True) as library:
        view = library.look_into_archive(arguments.file)
    lines = [
        f"Made {moment_text(view.made_at)}, {count_text(view.runs, 'run')}, "
        f"{view.sound_bytes / 1e6:.1f} MB of sound",
        *(f"  {name}" for name in view.instruments),
    ]
    if view.duplicates:
        lines.append(f"Already here: {', '.join(view.duplicates)}")
    answer(arguments, rows_json(view), "\n".join(lines))


def _run_archive_import(arguments: argparse.Namespace) -> None:
    from toneapp.library import OnDuplicate

    with (
        open_library(arguments, can_create=True) as library,
        progress_line("importing") as progress,
    ):
        numbers = library.import_archive(
            arguments.file,
            on_duplicate=OnDuplicate(arguments.on_duplicate),
            progress=progress,
        )
        made = [library.instruments.get(number) for number in numbers]
    lines = [f"Instrument {item.id}: {item.name}" for item in made]
    answer(arguments, rows_json(made), "\n".join(lines) or "The archive held no instrument")


def _run_where(arguments: argparse.Namespace) -> None:
    from toneapp.library import default_folder

    folder = default_folder() if arguments.library is None else Path(arguments.library).absolute()
    exists = (folder / "library.sqlite").is_file()
    text = str(folder) if exists else f"{folder} (no library there yet)"
    answer(arguments, {"folder": str(folder), "exists": exists}, text)


def _run_check(arguments: argparse.Namespace) -> None:
    with open_library(arguments) as library, progress_line("checking") as progress:
        faults = library.check(is_thorough=not arguments.quick, progress=progress)
        left = library.leftovers()
        folder = library.folder
    lines = list(faults) or ["No damage found"]
    if left:
        noun = count_text(len(left), "sound file")
        lines.append(f"Without a run: {noun}; see: toneapp library leftovers")
    answer(arguments, {"faults": list(faults), "leftovers": len(left)}, "\n".join(lines))
    if faults:
        raise LibraryError(
            f"{count_text(len(faults), 'fault')} in {folder}; go on with a copy or an archive"
        )


def _run_leftovers(arguments: argparse.Namespace) -> None:
    from toneapp.library import Run

    with open_library(arguments) as library:
        left = library.leftovers()
        if arguments.adopt is not None:
            instrument = library.instruments.find(arguments.adopt)
            for item in left:
                library.adopt_leftover(
                    item, Run(instrument_id=instrument.id, condition="found again")
                )
        elif arguments.remove and left:
            _ask(arguments, f"Remove {count_text(len(left), 'sound')} for good?")
            library.remove_leftovers(left)
    done = "" if arguments.adopt is None else f", now runs of {arguments.adopt}"
    done = ", removed" if arguments.remove and arguments.adopt is None else done
    lines = [f"{item.path.name}  {item.bytes / 1e6:.1f} MB{done}" for item in left]
    answer(arguments, rows_json(left), "\n".join(lines) or "No sound is left over")


def _run_history(arguments: argparse.Namespace) -> None:
    with open_library(arguments) as library:
        acts = library.history.acts()
    lines = [
        f"{act.id:>5}  {moment_text(act.made_at)}  {act.label}"
        + (" (undone)" if act.undone_at else "")
        for act in acts
    ]
    answer(arguments, rows_json(acts), "\n".join(lines) or "Nothing was done yet")


def _run_undo(arguments: argparse.Namespace) -> None:
    with open_library(arguments) as library:
        act = library.history.undo(arguments.act)
    say(f"Undone: {act.label}")


def _run_redo(arguments: argparse.Namespace) -> None:
    with open_library(arguments) as library:
        act = library.history.redo(arguments.act)
    say(f"Done again: {act.label}")


def _run_export(arguments: argparse.Namespace) -> None:
    if arguments.json is None and arguments.tables is None:
        raise InputError("say where to: --json OUT, or --tables DIR")
    with open_library(arguments) as library:
        if arguments.tables is not None:
            folder = Path(arguments.tables)
            try:
                folder.mkdir(parents=True, exist_ok=True)
            except OSError as exc:
                raise OutputError(f"the folder {folder} cannot be made: {exc.strerror}") from exc
            paths = library.export_tables(folder)
            if arguments.json != STANDARD_OUTPUT:
                say("\n".join(map(str, paths)))
        if arguments.json == STANDARD_OUTPUT:
            say_bytes(library.export_json())
        elif arguments.json is not None:
            write_atomically(arguments.json, library.export_json())
            say(str(arguments.json))
