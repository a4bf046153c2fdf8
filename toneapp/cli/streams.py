"""What goes to the terminal, and by which way?

Results go to the output; errors and progress to the error stream.

Functions: `say`, `say_bytes`, `complain`, `progress_line`, `status_line`.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TextIO

from toneapp.wording import plain_text

__all__ = ["complain", "progress_line", "say", "say_bytes", "status_line"]

STATUS_WIDTH = 78


def say(text: str) -> None:
    """Print lines of a result, in signs that the terminal knows."""
    _write(sys.stdout, text if text.endswith("\n") else text + "\n")


def say_bytes(content: bytes) -> None:
    """Write a result as it is, for another program to read."""
    raw = getattr(sys.stdout, "buffer", None)
    if raw is None:  # a stream that takes text only
        sys.stdout.write(content.decode("utf-8"))
    else:
        sys.stdout.flush()
        raw.write(content)
        raw.flush()


def complain(text: str) -> None:
    """Print one line on the error stream, whatever the text holds."""
    _write(sys.stderr, f"toneapp: {' '.join(text.split())}\n")


@contextmanager
def progress_line(title: str) -> Iterator[Callable[[float], None]]:
    """Show the share that is done on the error stream, if that is a terminal.

    Yields
    ------
    callable
        Takes the share done, from 0 to 1.
    """
    if not sys.stderr.isatty():
        yield lambda _share: None
        return
    shown = -1

    def show(share: float) -> None:
        nonlocal shown
        percent = int(100 * min(max(share, 0.0), 1.0))
        if percent != shown:
            shown = percent
            _write(sys.stderr, f"\r{title}: {percent} %")

    show(0.0)
    try:
        yield show
    finally:
        _write(sys.stderr, f"\r{' ' * (len(title) + 8)}\r")


@contextmanager
def status_line() -> Iterator[Callable[[str], None]]:
    """Show a line that changes on the error stream, if that is a terminal.

    Yields
    ------
    callable
        Takes the line; an empty one clears it.
    """
    if not sys.stderr.isatty():
        yield lambda _text: None
        return
    shown = ""

    def show(text: str) -> None:
        nonlocal shown
        text = text[:STATUS_WIDTH].rstrip()
        if text != shown:
            _write(sys.stderr, "\r" + text.ljust(len(shown)) + ("" if text else "\r"))
            shown = text

    try:
        yield show
    finally:
        show("")


def _write(stream: TextIO, text: str) -> None:
    # Names of files may hold control characters, which a terminal would obey.
    text = "".join(sign if sign.isprintable() or sign in "\n\r" else "?" for sign in text)
    encoding = stream.encoding or "ascii"
    try:
        text.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        text = plain_text(text).encode("ascii", errors="replace").decode("ascii")
    stream.write(text)
    stream.flush()
