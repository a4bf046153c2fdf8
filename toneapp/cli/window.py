"""``toneapp`` without words: the window, as a program of its own.

The command line does not import the desktop package (only that may import Qt), so a second Python
opens the window.

Functions: `open_window`.
"""

from __future__ import annotations

import logging
import os
import subprocess
import sys
from collections.abc import Mapping

from toneapp.errors import OutputError

__all__ = ["open_window"]

logger = logging.getLogger(__name__)

_SCREENS = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")


def open_window(*, environment: Mapping[str, str] | None = None) -> None:
    """Open the window and wait until it is closed.

    Parameters
    ----------
    environment : mapping, optional
        Variables; those of the process by default.

    Raises
    ------
    OutputError
        If there is no screen, or the window's program failed.
    """
    values = os.environ if environment is None else environment
    has_screen = sys.platform in ("win32", "darwin") or any(values.get(name) for name in _SCREENS)
    if not has_screen:
        raise OutputError(
            "no screen was found to open the window on; start it on a desktop, or say what to do, "
            "for example: toneapp demo (see toneapp --help)"
        )
    try:
        code = subprocess.run([sys.executable, "-m", "toneapp.desktop"], check=False).returncode
    except OSError as exc:
        raise OutputError(f"the window could not be started: {exc.strerror}; try again") from exc
    if code != 0:
        logger.info("the window's program ended with %d", code)
        raise OutputError(
            f"the window ended with code {code}; what is in the library is safe, start it again"
        )
