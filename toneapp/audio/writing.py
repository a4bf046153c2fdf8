"""How are samples written to a sound file?

Functions: `write_sound`.
"""

from __future__ import annotations

import errno
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from toneapp.errors import OutputError
from toneapp.saving import replacing

__all__ = ["write_sound"]


def write_sound(
    path: str | Path,
    blocks: NDArray[np.floating[Any]] | Iterable[NDArray[np.floating[Any]]],
    *,
    sample_rate_hz: int,
    bits: int = 24,
) -> None:
    """Write a sound file whole or not at all; the format follows the ending of its name.

    Parameters
    ----------
    path : str or Path
        Such as ``run.flac`` or ``run.wav``.
    blocks : ndarray, or iterable of ndarray, shape (n,) or (n, channels)
        The samples, full scale = 1; what goes beyond is clipped.
    sample_rate_hz : int
        Sampling rate in Hz.
    bits : int
        16 or 24 bits a sample (WAV, FLAC, AIFF); other formats have their own coding.

    Raises
    ------
    OutputError
        If the file cannot be written or the format is not known.
    """
    path = Path(path)
    pieces = [blocks] if isinstance(blocks, np.ndarray) else blocks
    kind = path.suffix[1:].upper().replace("AIF", "AIFF").replace("AIFFF", "AIFF")
    if kind not in soundfile.available_formats() or kind == "RAW":
        raise OutputError(f"{path} cannot be written: name a file that ends in .flac or .wav")
    subtype = f"PCM_{bits}"
    if not soundfile.check_format(kind, subtype):
        subtype = soundfile.default_subtype(kind)
    with replacing(path) as temporary:
        try:
            _write_pieces(temporary, pieces, sample_rate_hz, kind, subtype)
        except soundfile.SoundFileError as exc:
            raise OSError(errno.ENOSPC, str(exc)) from exc  # all that is left to go wrong here


def _write_pieces(
    path: Path,
    pieces: Iterable[NDArray[np.floating[Any]]],
    sample_rate_hz: int,
    kind: str,
    subtype: str,
) -> None:
    file: soundfile.SoundFile | None = None
    try:
        for piece in pieces:
            if file is None:
                channels = 1 if piece.ndim == 1 else piece.shape[1]
                file = soundfile.SoundFile(
                    path, "w", samplerate=sample_rate_hz, channels=channels, format=kind,
                    subtype=subtype,
                )  # fmt: skip
            # One long write of Vorbis overruns the stack of the encoder, so a second at a time.
            for start in range(0, len(piece), sample_rate_hz):
                file.write(np.clip(piece[start : start + sample_rate_hz], -1.0, 1.0))
    finally:
        if file is not None:
            file.close()
