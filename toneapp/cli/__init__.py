"""The command line: it reads words, calls the core, and prints.

Exit codes: 0 done; 1 could not be done (one line on the error stream says why and what to do);
2 the words could not be understood; 130 stopped by the user.
"""

from __future__ import annotations

from toneapp import one_thread as _one_thread

_one_thread.ask_for_one_thread()  # before anything loads numpy

from toneapp.cli.entry import main  # noqa: E402

__all__ = ["main"]
