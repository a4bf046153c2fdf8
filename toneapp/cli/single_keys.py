"""Which key was pressed on the computer's keyboard, without waiting for one?

Also a foot switch, which is a keyboard with one key.

Classes: `SingleKeys`.
"""

from __future__ import annotations

import os
import sys
from types import TracebackType
from typing import Any, Self

__all__ = ["SingleKeys"]


class SingleKeys:
    """Takes single keys from the terminal while it is entered; gives nothing where there is none.

    Attributes
    ----------
    is_terminal : bool
        Whether keys can come.
    """

    def __init__(self) -> None:
        self.is_terminal = False
        self._handle = -1
        self._before: Any = None

    def __enter__(self) -> Self:
        try:
            self.is_terminal = sys.stdin is not None and sys.stdin.isatty()
        except ValueError:  # closed
            return self
        if self.is_terminal and os.name != "nt":
            import termios
            import tty

            self._handle = sys.stdin.fileno()
            self._before = termios.tcgetattr(self._handle)
            tty.setcbreak(self._handle)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        if self._before is not None:
            import termios

            termios.tcsetattr(self._handle, termios.TCSADRAIN, self._before)

    def pressed(self) -> str:
        """Return the next key that was pressed, in lower case, or an empty text."""
        if not self.is_terminal:
            return ""
        if os.name == "nt":
            import msvcrt

            return msvcrt.getwch().lower() if msvcrt.kbhit() else ""  # type: ignore[attr-defined,unused-ignore]  # Windows only
        import select

        ready, _, _ = select.select([self._handle], [], [], 0)
        if not ready:
            return ""
        return os.read(self._handle, 1).decode("ascii", errors="replace").lower()
