"""Sound files, microphones and loudspeakers: where sound comes in and goes out.

Each module translates the errors of the library it uses into one sentence for the user.
"""

from __future__ import annotations

from toneapp.audio.files import (
    SoundFileHandle,
    SoundFileSource,
    list_sound_files,
    open_sound,
)
from toneapp.audio.writing import write_sound

__all__ = [
    "SoundFileHandle",
    "SoundFileSource",
    "list_sound_files",
    "open_sound",
    "write_sound",
]
