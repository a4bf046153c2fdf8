"""Where the bundle begins: the window without words, else the command line.

A bundle has no Python beside it, so the words by which the command line starts the window or the
drawing of a picture (``-m toneapp.desktop...``) come back to this file.
"""

from __future__ import annotations

import multiprocessing
import sys


def main() -> int:
    """Carry out the words; return the exit code."""
    words = sys.argv[1:]
    if words[:2] == ["-m", "toneapp.desktop.picture"]:
        from toneapp.desktop.picture import main as draw

        return draw(words[2:])
    if not words or words[:2] == ["-m", "toneapp.desktop"]:
        from toneapp.desktop.app import main as open_window

        return open_window(words[2:])
    from toneapp.cli import main as command_line

    return command_line(words)


if __name__ == "__main__":
    multiprocessing.freeze_support()  # worker processes come back here too
    sys.exit(main())
