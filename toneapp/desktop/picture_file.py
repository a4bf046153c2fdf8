"""How does a program of its own draw a picture into a file?

The command line starts such a program (``python -m ... IN.json OUT.png``), since it knows no Qt
itself; no screen is needed.

Functions: `png_bytes`, `read_input`, `run_picture_program`.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from PySide6.QtCore import QBuffer, QByteArray, QIODevice
from PySide6.QtGui import QGuiApplication, QImage, QImageWriter

from toneapp.errors import InputError, OutputError, ToneappError
from toneapp.saving import check_picture_name, write_atomically

__all__ = ["STANDARD_INPUT", "png_bytes", "read_input", "run_picture_program"]

STANDARD_INPUT = "-"


def png_bytes(image: QImage) -> bytes:
    """Code an image as the bytes of a PNG file.

    Raises
    ------
    OutputError
        If it cannot be coded.
    """
    buffer = QBuffer()
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    writer = QImageWriter(buffer, QByteArray(b"PNG"))
    if not writer.write(image):
        raise OutputError(f"the picture cannot be coded as PNG: {writer.errorString()}; try again")
    return bytes(buffer.data().data())


def read_input(source: str) -> bytes:
    """Read a file, or the standard input for ``-``.

    Raises
    ------
    InputError
        If the file cannot be read.
    """
    if source == STANDARD_INPUT:
        return sys.stdin.buffer.read()
    try:
        return Path(source).read_bytes()
    except OSError as exc:
        raise InputError(f"{source} cannot be read: {exc.strerror}; check its name") from exc


def run_picture_program(
    words: Sequence[str] | None, *, what: str, draw: Callable[[str], Callable[[], QImage]]
) -> int:
    """Read, draw, write; a fault is told in one line.

    Parameters
    ----------
    words : sequence of str or None
        Name of the input (or ``-``) and of the picture; those of the program if None.
    what : str
        Name of the input as it is asked for, such as "RUN.json".
    draw : callable
        Reads the input of the name given, and returns what draws it once there are fonts.

    Returns
    -------
    int
        Exit code: 0 done, 1 failed, 2 not understood.
    """
    words = sys.argv[1:] if words is None else words
    if len(words) != 2:
        sys.stderr.write(f"toneapp: say {what} (or - for the input) and OUT.png\n")
        return 2
    source, target = words
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    try:
        check_picture_name(target)
        drawing = draw(source)
        application = QGuiApplication.instance() or QGuiApplication([])
        assert application is not None  # must live while fonts are used
        write_atomically(target, png_bytes(drawing()))
    except ToneappError as exc:
        sys.stderr.write(f"toneapp: {exc}\n")
        return 1
    return 0
