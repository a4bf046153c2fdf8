"""The picture of a run, drawn by a program of its own.

Drawing needs Qt, which only the desktop package may import, and the command line does not import
that. So a second Python draws: it reads the run as JSON and writes the PNG.

Functions: `draw_picture`, `draw_ringing`.
"""

from __future__ import annotations

import logging
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from toneapp.errors import OutputError
from toneapp.interchange import run_to_bytes
from toneapp.results import RunResult

__all__ = ["draw_picture", "draw_ringing"]

logger = logging.getLogger(__name__)

LONGEST_S = 120.0


def draw_picture(run: RunResult, path: str | Path) -> None:
    """Draw a run over the keyboard as a PNG picture.

    Parameters
    ----------
    run : RunResult
    path : str or Path
        The picture; one that exists is replaced.

    Raises
    ------
    OutputError
        If the picture cannot be drawn or written.
    """
    _draw("toneapp.desktop.picture", run_to_bytes(run), path)


def draw_ringing(runs: Sequence[RunResult], path: str | Path) -> None:
    """Draw struck keys against ringing strings as a PNG picture.

    Parameters
    ----------
    runs : sequence of RunResult
        One run, or two to show what changed from the first to the second.
    path : str or Path
        The picture; one that exists is replaced.

    Raises
    ------
    OutputError
        If the picture cannot be drawn or written.
    """
    content = b"[" + b",".join(run_to_bytes(run) for run in runs) + b"]"
    _draw("toneapp.desktop.ring_painting", content, path)


def _draw(module: str, content: bytes, path: str | Path) -> None:
    """Let a module of the desktop package draw what it reads from its input."""
    command = [sys.executable, "-m", module, "-", os.fspath(path)]
    environment = dict(os.environ)
    environment.setdefault("QT_QPA_PLATFORM", "offscreen")  # no screen is needed
    try:
        done = subprocess.run(
            command,
            input=content,
            capture_output=True,
            env=environment,
            timeout=LONGEST_S,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired) as exc:
        raise OutputError(f"the picture {path} could not be drawn: {exc}; try again") from exc
    if done.returncode == 0:
        return
    said = done.stderr.decode("utf-8", errors="replace").strip()
    logger.info("the drawing program ended with %d: %s", done.returncode, said)
    last = said.splitlines()[-1] if said else f"it ended with code {done.returncode}"
    raise OutputError(f"the picture {path} could not be drawn: {last.removeprefix('toneapp: ')}")
