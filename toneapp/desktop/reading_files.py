"""How does a small text file come in, with a sentence when it does not?

Functions: `read_text_file`.
"""

from __future__ import annotations

from pathlib import Path

from toneapp.errors import InputError

__all__ = ["read_text_file"]

LARGEST_BYTES = 4_000_000


def read_text_file(path: Path) -> str:
    """Read a text file in UTF-8, or in the Western encoding that spreadsheets write.

    Raises
    ------
    InputError
        If it cannot be read, or is no small text.
    """
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_BYTES + 1)
    except OSError as exc:
        raise InputError(f"{path.name} cannot be read: {exc.strerror}; check the file") from exc
    if len(content) > LARGEST_BYTES or b"\x00" in content:
        raise InputError(f"{path.name} is no table in text form; save it as CSV")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")
