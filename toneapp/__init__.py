"""Measure piano tone: pitch, partials, decay, damping, loudness and brightness of every note.

``toneapp.analyse(path)`` measures a recorded run and returns frozen dataclasses
(`toneapp.results`)::

    import toneapp

    run = toneapp.analyse("run.flac", jobs=2)
    for note in run.notes:
        print(note.note, note.cents, note.brightness, [str(word) for word in note.raised])
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from toneapp.analysis import analyse as analyse

__all__ = ["__version__", "analyse"]

__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    """Load the measuring core when it is first asked for: a window or a help text needs none."""
    if name == "analyse":
        from toneapp.analysis import analyse

        return analyse
    raise AttributeError(f"module 'toneapp' has no attribute {name!r}")
