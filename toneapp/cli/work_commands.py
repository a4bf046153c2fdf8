"""``toneapp worklist``, ``worksheet`` and ``weights``: what is to be done, what was found.

Functions: `add_command`.
"""

from __future__ import annotations

import argparse
import textwrap
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from toneapp.cli.library_words import (
    answer,
    count_text,
    json_parent,
    note_word,
    open_library,
    rows_json,
)
from toneapp.cli.streams import say
from toneapp.errors import InputError
from toneapp.pitch import parse_note
from toneapp.results import Cause, Raised
from toneapp.saving import write_atomically

if TYPE_CHECKING:
    from toneapp.library import KeyMeasurement, Worklist

__all__ = ["add_command"]

WIDTH = 79
_LARGEST_BYTES = 1_000_000


def add_command(commands: Any, *, parents: list[argparse.ArgumentParser]) -> None:
    """Add the commands and their words to the parser."""
    with_json = [*parents, json_parent()]
    _add_worklist(commands, with_json)
    _add_worksheet(commands, with_json)
    _add_weights(commands, with_json)


def _add_worklist(commands: Any, with_json: list[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "worklist",
        parents=with_json,
        help="notes of a run that want work, why, and what to look at first",
        description="List what a run raises, with sizes, advice and cautions; tick entries off.",
        allow_abbrev=False,
    )
    parser.add_argument("which", type=int, metavar="RUN", help="number of the run")
    parser.add_argument("--short", action="store_true", help="without the steps")
    parser.add_argument(
        "--tick",
        nargs=2,
        metavar=("NOTE", "FINDING"),
        help='such as: --tick C4 bright ("-": no key)',
    )
    parser.add_argument("--untick", nargs=2, metavar=("NOTE", "FINDING"))
    parser.add_argument("--note", default="", metavar="TEXT", help="with --tick: what was done")
    parser.set_defaults(run=_run_worklist)


def _add_worksheet(commands: Any, with_json: list[argparse.ArgumentParser]) -> None:
    group = commands.add_parser(
        "worksheet",
        help="what was found at an instrument and what is done",
        description="The assessment worksheet of an instrument.",
        allow_abbrev=False,
    )
    words = group.add_subparsers(title="what to do", metavar="WHAT", required=True)

    def word(name: str, text: str, run: Any) -> argparse.ArgumentParser:
        parser: argparse.ArgumentParser = words.add_parser(
            name, parents=with_json, help=text, allow_abbrev=False
        )
        parser.set_defaults(run=run)
        return parser

    _add_which(word("show", "show or print it", _run_sheet_show))
    begin = word("begin", "add the items of a template", _run_sheet_begin)
    _add_which(begin)
    begin.add_argument(
        "--template", metavar="NAME", help="by the kind of instrument, if not named"
    )
    add = word("add", "add an item", _run_sheet_add)
    _add_which(add)
    _add_item_facts(add, is_new=True)
    change = word("change", "change an item", _run_sheet_change)
    _add_item(change)
    _add_item_facts(change, is_new=False)
    tick = word("tick", "tick an item off", _run_sheet_tick)
    _add_item(tick)
    tick.add_argument("--minutes", type=int, metavar="N", help="time it took")
    tick.add_argument("--open", action="store_true", help="open it again")
    _add_item(word("remove", "lay an item in the bin", _run_sheet_remove))
    raising = word("raise", "add what a run raises", _run_sheet_raise)
    raising.add_argument("which", type=int, metavar="RUN", help="number of the run")
    templates = word(
        "templates", "list the templates, or copy them to change them", _run_templates
    )
    templates.add_argument("--copy", metavar="FILE.toml", help="write the package's templates")


def _add_weights(commands: Any, with_json: list[argparse.ArgumentParser]) -> None:
    group = commands.add_parser(
        "weights",
        help="down and up weight and key dip, measured by hand",
        description="Down weight and up weight in grams give friction and balance weight; key "
        "dip in millimetres.",
        allow_abbrev=False,
    )
    words = group.add_subparsers(title="what to do", metavar="WHAT", required=True)
    show = words.add_parser(
        "show", parents=with_json, help="show what was entered", allow_abbrev=False
    )
    _add_which(show)
    show.add_argument("--csv", metavar="OUT", help="write the latest set as a table")
    show.set_defaults(run=_run_weights_show)
    enter = words.add_parser(
        "enter", parents=with_json, help="enter weights and key dip", allow_abbrev=False
    )
    _add_which(enter)
    enter.add_argument(
        "keys", nargs="*", metavar="NOTE=DOWN/UP/DIP", help="such as C4=52/24 or C4=52/24/10.1"
    )
    enter.add_argument(
        "--csv",
        metavar="FILE",
        help="table with note, down weight (g), up weight (g), key dip (mm)",
    )
    enter.add_argument("--set", type=int, metavar="N", help="into this set; a new one without it")
    enter.add_argument("--title", default="", metavar="TEXT", help="of a new set")
    enter.add_argument("--date", default="", metavar="DATE", help="of a new set")
    enter.set_defaults(run=_run_weights_enter)


def _add_which(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("which", metavar="INSTRUMENT", help="its number, name, or part of it")


def _add_item(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("item", type=int, metavar="ITEM", help="its number on the worksheet")


def _add_item_facts(parser: argparse.ArgumentParser, *, is_new: bool) -> None:
    parser.add_argument("--area", required=is_new, metavar="TEXT", help="such as Hammers")
    parser.add_argument("--finding", metavar="TEXT")
    parser.add_argument("--action", metavar="TEXT", help="what is to be done")
    parser.add_argument("--key", dest="midi", type=note_word, metavar="NOTE")
    parser.add_argument("--minutes", type=int, metavar="N")
    parser.add_argument("--note", metavar="TEXT")


def _item_facts(arguments: argparse.Namespace) -> dict[str, Any]:
    names = ("area", "finding", "action", "midi", "minutes", "note")
    facts = {name: getattr(arguments, name) for name in names}
    return {name: value for name, value in facts.items() if value is not None}


def _run_worklist(arguments: argparse.Namespace) -> None:
    from toneapp.library import worklist_text

    with open_library(arguments) as library:
        for named, is_done in ((arguments.tick, True), (arguments.untick, False)):
            if named is not None:
                midi = 0 if named[0] == "-" else _parse_note(named[0])
                if is_done:
                    _check_is_listed(library.worklist(arguments.which), midi, named)
                library.worklists.tick(
                    arguments.which, midi, named[1], is_done=is_done, note=arguments.note
                )
        worklist = library.worklist(arguments.which)
        run = library.runs.get(arguments.which)
        instrument = library.instruments.get(run.instrument_id)
    head = f"Run {run.id}: {instrument.name}, {run.condition or run.purpose.value}"
    is_full = not (arguments.short or arguments.tick or arguments.untick)
    answer(
        arguments,
        rows_json(worklist),
        "\n".join([*_fold(head), worklist_text(worklist, is_full=is_full)]),
    )


def _fold(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent="  ")


def _check_is_listed(worklist: Worklist, midi: int, named: Sequence[str]) -> None:
    """Refuse to tick off what is not there: the key or the run was mistyped."""
    here = [entry.subject for entry in worklist.entries if (entry.midi or 0) == midi]
    subject = named[1].strip().replace(" ", "_")
    if subject in {*Raised, *Cause} and subject not in here:
        raise InputError(
            f"{named[0]} {named[1]} is not on this worklist; look at it without --tick"
        )


def _parse_note(text: str) -> int:
    try:
        return parse_note(text)
    except ValueError as exc:
        raise InputError(str(exc)) from exc


def _run_sheet_show(arguments: argparse.Namespace) -> None:
    from toneapp.library import worksheet_text

    with open_library(arguments) as library:
        instrument = library.instruments.find(arguments.which)
        items = library.worksheets.items(instrument.id)
    text = worksheet_text(instrument, items)
    if not items:
        text += f"Begin it with: toneapp worksheet begin {instrument.id}\n"
    answer(arguments, rows_json(items), text)


def _run_sheet_begin(arguments: argparse.Namespace) -> None:
    with open_library(arguments) as library:
        instrument = library.instruments.find(arguments.which)
        templates = library.templates()
        name = arguments.template
        if name is None:
            name = next((n for n, t in templates.items() if instrument.kind in t.kinds), None)
        if name not in templates:
            raise InputError(
                f"there is no template {name!r}; choose one of {', '.join(sorted(templates))}"
            )
        items = library.worksheets.begin(instrument.id, templates[name])
    answer(arguments, rows_json(items), f"{count_text(len(items), 'item')} added from {name}")


def _run_sheet_add(arguments: argparse.Namespace) -> None:
    from toneapp.library import WorksheetItem

    with open_library(arguments) as library:
        instrument = library.instruments.find(arguments.which)
        item = library.worksheets.add(
            WorksheetItem(instrument_id=instrument.id, **_item_facts(arguments))
        )
    answer(arguments, rows_json(item), f"Item {item.id} added")


def _run_sheet_change(arguments: argparse.Namespace) -> None:
    facts = _item_facts(arguments)
    if not facts:
        raise InputError("nothing to change was named; see toneapp worksheet change --help")
    with open_library(arguments) as library:
        item = library.worksheets.change(replace(library.worksheets.get(arguments.item), **facts))
    answer(arguments, rows_json(item), f"Item {item.id} changed")


def _run_sheet_tick(arguments: argparse.Namespace) -> None:
    with open_library(arguments) as library:
        item = library.worksheets.tick(
            library.worksheets.get(arguments.item),
            is_done=not arguments.open,
            minutes=arguments.minutes,
        )
    answer(arguments, rows_json(item), f"Item {item.id} is {item.state.value}")


def _run_sheet_remove(arguments: argparse.Namespace) -> None:
    with open_library(arguments) as library:
        item = library.worksheets.get(arguments.item)
        library.worksheets.remove(item)
    answer(
        arguments,
        {"removed": item.id},
        f"Item {item.id} lies in the bin; back with: toneapp bin restore item {item.id}",
    )


def _run_sheet_raise(arguments: argparse.Namespace) -> None:
    with open_library(arguments) as library:
        items = library.raise_items(arguments.which)
    text = f"{count_text(len(items), 'item')} added from run {arguments.which}"
    answer(arguments, rows_json(items), text)


def _run_templates(arguments: argparse.Namespace) -> None:
    from toneapp.library import template_text

    if arguments.copy is not None:
        write_atomically(arguments.copy, template_text().encode("utf-8"))
        say(f"Written to {arguments.copy}; it counts in the folder templates of the library")
        return
    with open_library(arguments) as library:
        templates = library.templates()
    lines = [f"{name:<12}{t.title} ({len(t.items)} items)" for name, t in templates.items()]
    answer(arguments, rows_json(list(templates.values())), "\n".join(lines))


def _run_weights_show(arguments: argparse.Namespace) -> None:
    from toneapp.library import hand_csv, hand_text

    with open_library(arguments) as library:
        instrument = library.instruments.find(arguments.which)
        sets = library.weights.of_instrument(instrument.id)
    if arguments.csv is not None:
        if not sets:
            raise InputError(f"no weights were entered for {instrument.name}; enter some first")
        write_atomically(arguments.csv, hand_csv(sets[-1]))
    data = [
        rows_json(one)
        | {
            "keys": [
                rows_json(key)
                | {"friction_g": key.friction_g, "balance_weight_g": key.balance_weight_g}
                for key in one.keys
            ]
        }
        for one in sets
    ]
    text = "\n".join(hand_text(one) for one in sets)
    answer(arguments, data, text or f"No weights were entered for {instrument.name} yet")


def _run_weights_enter(arguments: argparse.Namespace) -> None:
    from toneapp.library import hand_text, parse_hand_table

    keys = [_key(text) for text in arguments.keys]
    if arguments.csv is not None:
        keys += parse_hand_table(_read_text(Path(arguments.csv)))
    if not keys:
        raise InputError("no weights were given; write them like C4=52/24 or name a table --csv")
    with open_library(arguments) as library:
        instrument = library.instruments.find(arguments.which)
        if arguments.set is None:
            made = library.weights.add(
                instrument.id, keys, title=arguments.title, measured_at=arguments.date
            )
        else:
            if library.weights.get(arguments.set).instrument_id != instrument.id:
                raise InputError(f"set {arguments.set} does not belong to {instrument.name}")
            made = library.weights.put(arguments.set, keys)
    answer(arguments, rows_json(made), hand_text(made))


def _key(text: str) -> KeyMeasurement:
    from toneapp.library import KeyMeasurement

    note, equals, values = text.partition("=")
    parts = values.split("/")
    try:
        if not equals or len(parts) > 3:
            raise ValueError(text)
        numbers = [float(part) if part.strip() else None for part in parts] + [None, None]
        midi = parse_note(note)
    except ValueError as exc:
        raise InputError(f"{text!r} tells no weights; write them like C4=52/24/10.1") from exc
    return KeyMeasurement(
        midi=midi, down_weight_g=numbers[0], up_weight_g=numbers[1], key_dip_mm=numbers[2]
    )


def _read_text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST_BYTES + 1)
        if len(content) > _LARGEST_BYTES:
            raise InputError(f"{path} is too large for a table of weights; choose another file")
        return content.decode("utf-8-sig")
    except (OSError, ValueError) as exc:
        why = getattr(exc, "strerror", None) or "it is not text in UTF-8"
        raise InputError(f"the table {path} cannot be read: {why}; check its name") from exc
