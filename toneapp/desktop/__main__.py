"""``python -m toneapp.desktop`` opens the window."""

from __future__ import annotations

import multiprocessing
import sys

# Worker processes import this module too, under another name.
if __name__ == "__main__":
    multiprocessing.freeze_support()
    from toneapp.desktop.app import main

    sys.exit(main())
