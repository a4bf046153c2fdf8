"""``python -m toneapp`` is the command ``toneapp``."""

from __future__ import annotations

import sys

from toneapp.cli import main

# Worker processes import this module too, under another name.
if __name__ == "__main__":
    sys.exit(main())
