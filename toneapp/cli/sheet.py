"""``toneapp sheet``: sheets for the buyer, the proof and the bench.

Functions: `add_command`.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from toneapp.cli.library_words import answer, json_parent, library_parent, open_library
from toneapp.cli.streams import progress_line, say
from toneapp.errors import InputError, OutputError

if TYPE_CHECKING:
    from toneapp.library import Library
    from toneapp.sheets import Sheet, SheetSettings

__all__ = ["add_command"]

_Made = Callable[["Library", "SheetSettings", bool, Callable[[float], None]], "Sheet"]


def add_command(commands: Any, *, parents: list[argparse.ArgumentParser]) -> None:
    """Add the command and its words to the parser."""
    group = commands.add_parser(
        "sheet",
        help="sheets on paper (PDF) or for the screen (HTML)",
        description="Make sheets out of the library: comparison of instruments, before and "
        "after, worklist and worksheet. PDF to print, HTML to mail; the HTML has the sound.",
        allow_abbrev=False,
    )
    words = group.add_subparsers(title="what to make", metavar="WHAT", required=True)
    common = [*parents, library_parent(), json_parent(), _sheet_parent()]

    def word(name: str, text: str, run: Any, *, has_charts: bool) -> argparse.ArgumentParser:
        own = [*common, _charts_parent()] if has_charts else common
        parser: argparse.ArgumentParser = words.add_parser(
            name, parents=own, help=text, allow_abbrev=False
        )
        parser.set_defaults(run=run)
        return parser

    compare = word("compare", "2 to 6 runs side by side", _run_compare, has_charts=True)
    compare.add_argument("runs", type=int, nargs="+", metavar="RUN", help="numbers of the runs")
    change = word("change", "two runs of one instrument", _run_change, has_charts=True)
    change.add_argument("before", type=int, metavar="BEFORE", help="number of the run before")
    change.add_argument("after", type=int, metavar="AFTER", help="number of the run after")
    worklist = word(
        "worklist", "what a run raises, for the bench", _run_worklist, has_charts=False
    )
    worklist.add_argument("which", type=int, metavar="RUN", help="number of the run")
    worksheet = word("worksheet", "of an instrument", _run_worksheet, has_charts=False)
    worksheet.add_argument("which", metavar="INSTRUMENT", help="its number, name, or part of it")

    settings = words.add_parser(
        "settings",
        parents=[*parents, library_parent()],
        help="letterhead, paper, language: show them, or begin the file",
        allow_abbrev=False,
    )
    settings.add_argument("--begin", action="store_true", help="write the file to be filled in")
    settings.set_defaults(run=_run_settings)


def _sheet_parent() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(add_help=False)
    parser.add_argument("--out", metavar="FILE", help="ends in .pdf or .html")
    parser.add_argument("--paper", choices=("A4", "Letter"), help="size of the pages")
    parser.add_argument("--place", metavar="PLACE", help="numbers and dates, such as en-GB")
    parser.add_argument("--language", metavar="LANGUAGE", help="of the words, such as en")
    parser.add_argument("--lengths", choices=("mm", "inch"), help="unit of lengths")
    parser.add_argument(
        "--settings", metavar="FILE", help="letterhead and the rest (sheet.toml of the library)"
    )
    return parser


def _charts_parent() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(add_help=False)
    parser.add_argument("--charts", metavar="DIR", help="write each chart as a file as well")
    parser.add_argument(
        "--chart-form", choices=("svg", "png", "pdf"), default="svg", help="of those files (svg)"
    )
    parser.add_argument("--no-sound", action="store_true", help="leave the sound out of the HTML")
    return parser


def _run_compare(arguments: argparse.Namespace) -> None:
    from toneapp.sheets import make_comparison

    _run(
        arguments,
        lambda library, settings, has_sound, progress: make_comparison(
            library, arguments.runs, settings, today=date.today(), has_sound=has_sound,
            progress=progress,
        ),
    )  # fmt: skip


def _run_change(arguments: argparse.Namespace) -> None:
    from toneapp.sheets import make_change

    _run(
        arguments,
        lambda library, settings, has_sound, progress: make_change(
            library, arguments.before, arguments.after, settings, today=date.today(),
            has_sound=has_sound, progress=progress,
        ),
    )  # fmt: skip


def _run_worklist(arguments: argparse.Namespace) -> None:
    from toneapp.sheets import make_worklist

    _run(
        arguments,
        lambda library, settings, _sound, _progress: make_worklist(
            library, arguments.which, settings, today=date.today()
        ),
    )


def _run_worksheet(arguments: argparse.Namespace) -> None:
    from toneapp.sheets import make_worksheet

    _run(
        arguments,
        lambda library, settings, _sound, _progress: make_worksheet(
            library,
            library.instruments.find(arguments.which).id,
            settings,
            today=date.today(),
        ),
    )


def _run(arguments: argparse.Namespace, make: _Made) -> None:
    """Make a sheet and write what was asked for."""
    from toneapp.sheets import is_page_for_screen, sheet_json, write_charts, write_sheet

    charts = getattr(arguments, "charts", None)
    if arguments.out is None and charts is None and arguments.json is None:
        raise InputError("say where to write the sheet: --out FILE.pdf or --out FILE.html")
    is_screen = arguments.out is not None and is_page_for_screen(arguments.out)
    has_sound = is_screen and not getattr(arguments, "no_sound", False)
    with open_library(arguments) as library:
        settings = _settings(arguments, library)
        with progress_line("cutting the sound") as progress:
            sheet = make(library, settings, has_sound, progress)
    lines = []
    if arguments.out is not None:
        write_sheet(sheet, settings, arguments.out)
        lines.append(f"Sheet written: {arguments.out}")
    if charts is not None:
        paths = write_charts(sheet, charts, form=arguments.chart_form)
        lines.append(f"{len(paths)} charts written to {charts}")
    answer(arguments, sheet_json(sheet), "\n".join(lines) or "Nothing else was asked for")


def _settings(arguments: argparse.Namespace, library: Library) -> SheetSettings:
    """Settings of the library, or of the file named, with what the words say besides."""
    from toneapp.sheets import load_settings

    if arguments.settings is not None and not Path(arguments.settings).is_file():
        raise InputError(f"the settings {arguments.settings} do not exist; check the name")
    settings = load_settings(arguments.settings or library.folder)
    named = {
        "paper_name": arguments.paper,
        "place_name": arguments.place,
        "language": arguments.language,
        "lengths_name": arguments.lengths,
    }
    given = {name: value for name, value in named.items() if value is not None}
    return replace(settings, **given).checked()


def _run_settings(arguments: argparse.Namespace) -> None:
    from toneapp.sheets import SETTINGS_FILE, load_settings, save_settings, settings_text

    with open_library(arguments) as library:
        path = library.folder / SETTINGS_FILE
    settings = load_settings(path)
    if arguments.begin:
        if path.exists():
            raise OutputError(f"{path} is there already; change it with a text editor")
        save_settings(path, settings)
        say(f"Begun: {path}\nFill in the letterhead with a text editor; a logo lies beside it.")
        return
    say(f"{path}\n\n{settings_text(settings)}")
