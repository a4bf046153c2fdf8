"""Which command was asked for, and how does it end?

`main` is the outermost frame: whatever goes wrong below it becomes an exit code and one line.

Functions: `main`, `build_parser`.
"""

from __future__ import annotations

import argparse
import contextlib
import difflib
import logging
import os
import re
import signal
import sys
from collections.abc import Iterator, Sequence
from functools import partial
from typing import Any, NoReturn

from toneapp import __version__
from toneapp.cli import (
    analyse,
    demo,
    devices,
    library_commands,
    record,
    repetition,
    ringing,
    sheet,
)
from toneapp.cli.streams import complain
from toneapp.cli.window import open_window
from toneapp.errors import Cancelled, OutputError, ToneappError

__all__ = ["build_parser", "main"]

logger = logging.getLogger(__name__)

DONE, FAILED, NOT_UNDERSTOOD, STOPPED = 0, 1, 2, 130

HELP_COLUMN = 28

DEBUG_LOG = "toneapp-debug.log"


class _Help(argparse.HelpFormatter):
    """Leaves room for the names of commands, which stand further in than those of options."""

    def add_argument(self, action: argparse.Action) -> None:
        super().add_argument(action)
        if isinstance(action, argparse._SubParsersAction):
            self._action_max_length += self._indent_increment


class _Commands(argparse._SubParsersAction):  # type: ignore[type-arg]
    """Commands whose help begins with what stands beside them in the list of commands."""

    def add_parser(self, name: str, **options: Any) -> Any:
        text = options.get("help")
        if text is not None:
            options.setdefault("description", f"{text[0].upper()}{text[1:]}.")
        return super().add_parser(name, **options)


class _OneLineParser(argparse.ArgumentParser):
    """Says in one line what it does not understand, and which help to read."""

    def __init__(self, *args: Any, **options: Any) -> None:
        # Wide enough that the names of all commands stand beside their explanations.
        options.setdefault("formatter_class", partial(_Help, max_help_position=HELP_COLUMN))
        super().__init__(*args, **options)
        self.register("action", "parsers", _Commands)

    def parse_known_args(  # type: ignore[override]  # the overloads of the base come to this
        self, args: Sequence[str] | None = None, namespace: Any = None
    ) -> tuple[Any, list[str]]:
        # Words left over are refused by the command that met them, whose help is the right one.
        found, rest = super().parse_known_args(args, namespace)
        if rest:
            self.error(f"{' '.join(rest)} is not understood here")
        return found, rest

    def error(self, message: str) -> NoReturn:
        words = self.prog.partition(" ")[2]
        command = f"{words}: " if words else ""
        complain(f"{command}{_in_plain_words(message)} (see {self.prog} --help)")
        self.exit(NOT_UNDERSTOOD)


def _in_plain_words(message: str) -> str:
    """Say what argparse does not understand as a person would."""
    choice = re.fullmatch(r"argument (\S+): invalid choice: '(.*)' \(choose from (.*)\)", message)
    if choice is not None:
        name, given, known = choice[1], choice[2], choice[3].replace("'", "").split(", ")
        if name != "COMMAND":
            return f"{name} is one of {', '.join(known)}, not {given!r}"
        near = difflib.get_close_matches(given, known, n=1)
        return f"there is no command {given!r}" + (f"; did you mean {near[0]}?" if near else "")
    missing = re.fullmatch(r"the following arguments are required: (.*)", message)
    if missing is not None:
        return f"{missing[1]} {'are' if ',' in missing[1] else 'is'} missing"
    number = re.fullmatch(r"argument (\S+): invalid (?:int|float) value: (.*)", message)
    if number is not None:
        return f"{number[1]} must be a number, not {number[2]}"
    return re.sub(r"^argument (\S+): ", r"\1: ", message)


def build_parser() -> argparse.ArgumentParser:
    """Build the parser of all commands; each sets ``run`` to the function that carries it out."""
    parser = _OneLineParser(
        prog="toneapp",
        description="Measures every note of a piano from a recording of a run over its keys: "
        "pitch, partials, decay, level and brightness, and which notes leave the instrument's "
        "own trend.",
        epilog="First steps: toneapp demo. Then record your own run and: toneapp analyse FILE. "
        "Without a command the window opens.",
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"toneapp {__version__}")
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument(
        "--debug",
        action="store_true",
        help=f"write what is done, and where a fault came from, to {DEBUG_LOG} in this folder",
    )
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")
    for module in (analyse, ringing, repetition, record, devices, demo, library_commands, sheet):
        module.add_command(commands, parents=[common])
    return parser


def main(words: Sequence[str] | None = None) -> int:
    """Carry out one command.

    Parameters
    ----------
    words : sequence of str, optional
        The words after the program's name; those of the process by default.

    Returns
    -------
    int
        Exit code: 0 done, 1 failed, 2 not understood, 130 stopped.
    """
    logging.captureWarnings(capture=True)  # a warning of a library is no news for the user
    with _termination_as_interrupt(), contextlib.ExitStack() as log:
        log.callback(logging.captureWarnings, capture=False)
        try:
            parser = build_parser()
            arguments = parser.parse_args(words)
            if not hasattr(arguments, "run"):
                open_window()
                return DONE
            log.enter_context(_log_to_file() if arguments.debug else _no_log())
            arguments.run(arguments)
            sys.stdout.flush()
        except SystemExit as exc:  # from the parser
            return exc.code if isinstance(exc.code, int) else FAILED
        except BrokenPipeError:
            # The reader has seen enough (as "head" does). Nothing more can be said there, not
            # even by the interpreter at its end.
            with contextlib.suppress(OSError, ValueError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        except (KeyboardInterrupt, Cancelled):
            complain("stopped")
            return STOPPED
        except ToneappError as exc:
            logger.info("ended with an error for the user", exc_info=True)
            complain(str(exc))
            return FAILED
        except Exception as exc:  # the one frame that turns any fault into a line
            logger.critical("a fault of the program", exc_info=True)
            complain(
                f"a fault in the program itself ({type(exc).__name__}: {exc}); start again with "
                f"--debug and report it with the file {DEBUG_LOG}"
            )
            return FAILED
    return DONE


@contextlib.contextmanager
def _no_log() -> Iterator[None]:
    """Keep log lines from the terminal, where the standard library would put them."""
    handler = logging.NullHandler()
    logging.getLogger().addHandler(handler)
    try:
        yield
    finally:
        logging.getLogger().removeHandler(handler)


@contextlib.contextmanager
def _log_to_file() -> Iterator[None]:
    """Send all log lines to a file in the current folder.

    Raises
    ------
    OutputError
        If it cannot be written there.
    """
    try:
        handler = logging.FileHandler(DEBUG_LOG, mode="w", encoding="utf-8")
    except OSError as exc:
        raise OutputError(
            f"{DEBUG_LOG} cannot be written here: {exc.strerror}; go to another folder"
        ) from exc
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    root, ours = logging.getLogger(), logging.getLogger("toneapp")
    levels = root.level, ours.level
    root.addHandler(handler)
    root.setLevel(logging.INFO)
    ours.setLevel(logging.DEBUG)
    try:
        yield
    finally:
        root.removeHandler(handler)
        handler.close()
        root.setLevel(levels[0])
        ours.setLevel(levels[1])


@contextlib.contextmanager
def _termination_as_interrupt() -> Iterator[None]:
    """Let a request to end (SIGTERM) unwind like Ctrl-C, so that unfinished files are removed."""

    def interrupt(_number: int, _frame: object) -> None:
        raise KeyboardInterrupt

    try:
        earlier = signal.signal(signal.SIGTERM, interrupt)
    except ValueError:  # not in the main thread, which alone may set it
        yield
        return
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, earlier)
