"""Where is the library?

Named by the user (``--library``), else by the variable ``TONEAPP_LIBRARY``, else the folder
``toneapp`` in the user's documents.

Functions: `default_folder`, `recordings_folder`.
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Mapping
from pathlib import Path

__all__ = ["LIBRARY_VARIABLE", "default_folder", "recordings_folder"]

LIBRARY_VARIABLE = "TONEAPP_LIBRARY"
FOLDER_NAME = "toneapp"

RECORDINGS_NAME = "recordings"
"""Folder, within that of the library, in which runs lie while they are recorded."""


def default_folder(*, environment: Mapping[str, str] | None = None) -> Path:
    """Folder of the library when none is named.

    Parameters
    ----------
    environment : mapping, optional
        Variables; those of the process by default.

    Returns
    -------
    Path
        Need not exist.

    Notes
    -----
    On Linux the documents folder has a name in the user's language, which the desktop keeps in
    ``user-dirs.dirs`` (freedesktop.org, xdg-user-dirs). Elsewhere it is ``Documents``.
    """
    values = os.environ if environment is None else environment
    named = values.get(LIBRARY_VARIABLE, "").strip()
    if named:
        return Path(named).expanduser().absolute()
    home = _home(values)
    documents = home / "Documents"
    if sys.platform not in ("win32", "darwin"):
        documents = _desktop_documents(values, home) or documents
    return documents / FOLDER_NAME


def _home(values: Mapping[str, str]) -> Path:
    name = values.get("USERPROFILE" if sys.platform == "win32" else "HOME", "").strip()
    return Path(name) if name else Path("~").expanduser()


def _desktop_documents(values: Mapping[str, str], home: Path) -> Path | None:
    """Documents folder as the desktop has it; None without such a setting."""
    config = Path(values.get("XDG_CONFIG_HOME", "").strip() or home / ".config")
    try:
        text = (config / "user-dirs.dirs").read_text(encoding="utf-8", errors="replace")
    except (OSError, ValueError):
        return None
    found = re.search(r'^\s*XDG_DOCUMENTS_DIR="([^"\n]+)"', text, re.MULTILINE)
    if found is None:
        return None
    path = Path(found.group(1).replace("$HOME", str(home)))
    return path if path.is_absolute() and path != home else None


def recordings_folder(library_folder: Path) -> Path:
    """Folder in which the unfinished runs of a library lie; need not exist."""
    return library_folder / RECORDINGS_NAME
