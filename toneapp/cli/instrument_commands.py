"""``toneapp instrument``: the instruments of the library.

Functions: `add_command`.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from toneapp.cli.library_words import answer, json_parent, note_word, open_library, rows_json
from toneapp.cli.streams import say
from toneapp.errors import InputError
from toneapp.keyboard import Compass
from toneapp.pitch import note_name, parse_note

if TYPE_CHECKING:
    from toneapp.library import Instrument, Library, StringCount

__all__ = ["add_command"]

_TEXTS = ("maker", "model", "serial", "year", "owner", "place", "notes")
_BREAKS = ("first_plain", "last_damper", "bass_bridge_top")


def add_command(commands: Any, *, parents: list[argparse.ArgumentParser]) -> None:
    """Add the command and its words to the parser."""
    group = commands.add_parser(
        "instrument",
        help="the instruments of the library",
        description="Add, list, show, change and remove instruments.",
        allow_abbrev=False,
    )
    words = group.add_subparsers(title="what to do", metavar="WHAT", required=True)
    with_json = [*parents, json_parent()]

    add = words.add_parser("add", parents=with_json, help="add an instrument", allow_abbrev=False)
    add.add_argument("name", metavar="NAME", help="what you call it")
    _add_facts(add)
    add.set_defaults(run=_run_add)

    listing = words.add_parser(
        "list", parents=with_json, help="list the instruments", allow_abbrev=False
    )
    listing.set_defaults(run=_run_list)

    show = words.add_parser(
        "show", parents=with_json, help="show an instrument with its runs", allow_abbrev=False
    )
    _add_which(show)
    show.set_defaults(run=_run_show)

    change = words.add_parser(
        "change", parents=with_json, help="change the facts of an instrument", allow_abbrev=False
    )
    _add_which(change)
    change.add_argument("--name", metavar="TEXT", help="another name")
    _add_facts(change)
    change.set_defaults(run=_run_change)

    remove = words.add_parser(
        "remove",
        parents=parents,
        help="lay an instrument in the bin, with its runs",
        allow_abbrev=False,
    )
    _add_which(remove)
    remove.set_defaults(run=_run_remove)


def _add_which(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("which", metavar="INSTRUMENT", help="its number, name, or part of it")


def _add_facts(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--kind", choices=("upright", "grand", "other"), help="how it is built")
    for name in _TEXTS:
        parser.add_argument(f"--{name}", metavar="TEXT")
    parser.add_argument("--compass", type=_compass, metavar="A0-C8", help="range of its keys")
    parser.add_argument("--a4", type=float, metavar="HZ", help="A4 that cents refer to (440)")
    parser.add_argument(
        "--first-plain", type=note_word, metavar="NOTE", help="lowest note with plain wire"
    )
    parser.add_argument(
        "--last-damper", type=note_word, metavar="NOTE", help="highest note with a damper"
    )
    parser.add_argument(
        "--bass-bridge-top", type=note_word, metavar="NOTE", help="highest note on the bass bridge"
    )
    parser.add_argument(
        "--strings",
        metavar="A0:1,F1:2,D3:3",
        help="strings per note, from each note upward",
    )


def _compass(text: str) -> Compass:
    try:
        return Compass.parse(text)
    except ValueError as exc:
        raise argparse.ArgumentTypeError(str(exc)) from exc


def _facts(arguments: argparse.Namespace) -> dict[str, Any]:
    """Facts that were given, by the names of the row."""
    from toneapp.library import InstrumentKind

    given = {name: getattr(arguments, name) for name in _TEXTS}
    given |= {f"{name}_midi": getattr(arguments, name) for name in _BREAKS}
    given |= {"compass": arguments.compass, "a4_hz": arguments.a4}
    if arguments.kind is not None:
        given["kind"] = InstrumentKind(arguments.kind)
    if arguments.strings is not None:
        given["strings"] = parse_strings(arguments.strings)
    return {name: value for name, value in given.items() if value is not None}


def parse_strings(text: str) -> tuple[StringCount, ...]:
    """Read strings per note, such as ``A0:1,F1:2,D3:3``.

    Raises
    ------
    InputError
        If the text is not of that form.
    """
    from toneapp.library import StringCount

    counts = []
    for part in text.split(","):
        note, colon, number = part.partition(":")
        try:
            if not colon:
                raise ValueError(part)
            counts.append(StringCount(from_midi=parse_note(note), strings=int(number)))
        except ValueError as exc:
            raise InputError(
                f"{part!r} does not tell strings per note; write them like A0:1,F1:2,D3:3"
            ) from exc
    return tuple(counts)


def _run_add(arguments: argparse.Namespace) -> None:
    from toneapp.library import Instrument

    facts = _facts(arguments)
    with open_library(arguments, can_create=True) as library:
        made = library.instruments.add(Instrument(name=arguments.name, **facts))
    answer(arguments, rows_json(made), f"Instrument {made.id} added: {made.name}")


def _run_list(arguments: argparse.Namespace) -> None:
    with open_library(arguments) as library:
        instruments = library.instruments.all()
        counts = {item.id: len(library.runs.all(item.id)) for item in instruments}
    lines = [
        f"{item.id:>4}  {item.name:<32} {item.kind.value:<8} {item.compass!s:<7} "
        f"{counts[item.id]:>3} {'run' if counts[item.id] == 1 else 'runs'}"
        for item in instruments
    ]
    answer(
        arguments,
        rows_json(instruments),
        "\n".join(lines) or "No instruments yet; add one with: toneapp instrument add NAME",
    )


def _run_show(arguments: argparse.Namespace) -> None:
    from toneapp.cli.run_commands import run_lines

    with open_library(arguments) as library:
        item = library.instruments.find(arguments.which)
        runs = library.runs.all(item.id)
        figures = library.measuring.figures([run.id for run in runs])
        text = "\n".join([*_instrument_lines(item), "", *run_lines(library, runs)])
        data = rows_json(item) | {
            "runs": [rows_json(run) | {"figures": rows_json(figures.get(run.id))} for run in runs]
        }
    answer(arguments, data, text)


def _instrument_lines(item: Instrument) -> list[str]:
    def note(midi: int | None) -> str:
        return "" if midi is None else note_name(midi)

    strings = ", ".join(f"{s.strings} from {note_name(s.from_midi)}" for s in item.strings)
    rows = [
        ("Kind", item.kind.value),
        *((name.capitalize(), getattr(item, name)) for name in _TEXTS[:-1]),
        ("Compass", str(item.compass)),
        ("First plain", note(item.first_plain_midi)),
        ("Last damper", note(item.last_damper_midi)),
        ("Bass bridge to", note(item.bass_bridge_top_midi)),
        ("Strings", strings),
        ("A4", f"{item.a4_hz:g} Hz"),
        ("Notes", item.notes),
    ]
    return [
        f"Instrument {item.id}: {item.name}",
        *(f"  {label:<15}{text}" for label, text in rows if text),
    ]


def _run_change(arguments: argparse.Namespace) -> None:
    facts = _facts(arguments)
    if arguments.name is not None:
        facts["name"] = arguments.name
    if not facts:
        raise InputError("nothing to change was named; see toneapp instrument change --help")
    with open_library(arguments) as library:
        item = _find(library, arguments)
        made = library.instruments.change(replace(item, **facts))
    answer(arguments, rows_json(made), f"Instrument {made.id} changed: {made.name}")


def _run_remove(arguments: argparse.Namespace) -> None:
    with open_library(arguments) as library:
        item = _find(library, arguments)
        library.instruments.remove(item)
    say(
        f"Instrument {item.id} ({item.name}) lies in the bin with its runs; back with: "
        f"toneapp bin restore instrument {item.id}"
    )


def _find(library: Library, arguments: argparse.Namespace) -> Instrument:
    return library.instruments.find(arguments.which)
