"""What is a run whose recording is over, and how do its parts become one file?

Functions and classes: `ClosedRun`, `close_unfinished`, `join_parts`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from toneapp._typing import Float32Array
from toneapp.audio.capture.events import Blow
from toneapp.audio.capture.run_folder import RunFolder, UnfinishedRun
from toneapp.audio.writing import write_sound
from toneapp.errors import AudioFileError

__all__ = ["ClosedRun", "close_unfinished", "join_parts"]

_BLOCK_FRAMES = 1 << 16


@dataclass(frozen=True, slots=True, kw_only=True)
class ClosedRun:
    """A run whose recording is complete."""

    folder: RunFolder
    parts: tuple[Path, ...]
    frames: int
    blows: tuple[Blow, ...]
    is_done: bool  # every key of the plan is there
    overruns: int
    lost_frames: int
    problems: tuple[str, ...]  # to be kept with the run

    @property
    def counted(self) -> tuple[Blow, ...]:
        """Blows that count, in their order."""
        return tuple(blow for blow in self.blows if blow.is_counted)

    @property
    def missing(self) -> tuple[int, ...]:
        """Keys of the plan without any blow that counts, upward."""
        return tuple(sorted(set(self.folder.plan.keys()) - {blow.midi for blow in self.counted}))


def close_unfinished(unfinished: UnfinishedRun) -> ClosedRun:
    """Close a run that was left behind, as it is.

    Raises
    ------
    OutputError
        If another window has it meanwhile.
    """
    return ClosedRun(
        folder=RunFolder.go_on(unfinished),
        parts=tuple(path for path, _ in unfinished.parts),
        frames=unfinished.frames,
        blows=unfinished.blows,
        is_done=unfinished.key_plan().current is None,
        overruns=0,
        lost_frames=0,
        problems=unfinished.problems,
    )


def join_parts(
    parts: tuple[Path, ...] | list[Path],
    target: Path,
    *,
    progress: Callable[[float], None] | None = None,
) -> None:
    """Write the parts of a run one after the other into one file, such as a FLAC.

    Parameters
    ----------
    parts : sequence of Path
        Parts as they were recorded, all of one rate.
    target : Path
        The file to make; its ending names the format (24 bits).
    progress : callable, optional
        Called with the share done; what it raises stops the work.

    Raises
    ------
    AudioFileError
        If a part cannot be read.
    OutputError
        If the file cannot be written; the parts stay as they are.

    Notes
    -----
    What a converter of up to 24 bits has delivered comes back exactly. Samples of a sound server
    that holds more are rounded, by at most -144 dB re full scale.
    """
    from toneapp.audio.inspection import open_with_libsndfile

    sizes = []
    for path in parts:
        with open_with_libsndfile(path) as file:
            sizes.append((file.samplerate, file.frames))
    if not sizes:
        raise AudioFileError("the run holds no sound; record it again")
    if len({rate for rate, _ in sizes}) > 1:
        raise AudioFileError("the parts of the run differ in their rate; import them one by one")
    total = max(sum(frames for _, frames in sizes), 1)
    report = progress or (lambda _share: None)

    def blocks() -> Iterator[Float32Array]:
        done = 0
        for path in parts:
            with open_with_libsndfile(path) as file:
                while True:
                    block = file.read(_BLOCK_FRAMES, dtype="float32", always_2d=True)
                    if len(block) == 0:
                        break
                    yield block
                    done += len(block)
                    report(min(done / total, 1.0))

    write_sound(target, blocks(), sample_rate_hz=sizes[0][0], bits=24)
