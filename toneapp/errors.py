"""Errors that speak to the user.

The tree::

    ToneappError
    ├── AudioFileError      a sound file cannot be read or written
    ├── AudioDeviceError    a microphone or loudspeaker cannot be used
    ├── LibraryError        the library is busy, too new, damaged, or its disk is full
    ├── ArchiveError        an archive cannot be taken in
    ├── InputError          an option, a label file or a table that cannot be understood
    ├── OutputError         a result cannot be written
    ├── NothingFoundError   the recording holds nothing that can be measured
    └── Cancelled           the user stopped the work

Each message is one sentence: what happened to which thing, and what to do next. A wrong argument
inside the code is a ``ValueError`` and not one of these.
"""

from __future__ import annotations

__all__ = [
    "ArchiveError",
    "AudioDeviceError",
    "AudioFileError",
    "Cancelled",
    "InputError",
    "LibraryError",
    "NothingFoundError",
    "OutputError",
    "ToneappError",
]


class ToneappError(Exception):
    """Base of every error that is shown to the user as one line."""


class AudioFileError(ToneappError):
    """A sound file cannot be read or written."""


class AudioDeviceError(ToneappError):
    """A microphone or loudspeaker cannot be used."""


class LibraryError(ToneappError):
    """The library is busy, too new, damaged, or its disk is full."""


class ArchiveError(ToneappError):
    """An archive cannot be taken in."""


class InputError(ToneappError):
    """An option, a label file or a table cannot be understood."""


class OutputError(ToneappError):
    """A result cannot be written."""


class NothingFoundError(ToneappError):
    """The recording holds nothing that can be measured."""


class Cancelled(ToneappError):
    """The user stopped the work."""
