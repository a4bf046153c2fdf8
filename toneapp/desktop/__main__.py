"""``python -m toneapp.desktop`` opens the window."""

from __future__ import annotations

import multiprocessing
import sys

from toneapp.one_thread import ask_for_one_thread

# Worker processes import this module too, under another name.
if __name__ == "__main__":
    multiprocessing.freeze_support()
    ask_for_one_thread()  # before anything loads numpy
    from toneapp.desktop.app import main

    sys.exit(main())
