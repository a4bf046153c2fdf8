"""Where does an unfinished run lie, and how is it gone on with after a crash?

A folder for each run: ``run.json`` (what is to be played, written once), ``journal.jsonl`` (one
line for each blow and each disturbance, appended and synced with the sound) and the parts of the
sound. A lock of the operating system on ``lock``, which a dead process cannot keep, tells a run
that is being recorded from one that was left behind.

Functions and classes: `RunFolder`, `UnfinishedRun`, `find_unfinished`, `blow_to_json`,
`blow_from_json`.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import secrets
import shutil
import time
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from toneapp.audio.capture.events import Ask, Blow, Reason
from toneapp.audio.capture.plan import KeyPlan, RunPlan
from toneapp.audio.capture.wav_part import PartFacts, repair_part
from toneapp.errors import AudioFileError, OutputError
from toneapp.saving import write_atomically

__all__ = [
    "RunFolder",
    "UnfinishedRun",
    "blow_from_json",
    "blow_to_json",
    "find_unfinished",
]

logger = logging.getLogger(__name__)

FOLDER_PREFIX = "run-"
PLAN_NAME, JOURNAL_NAME, LOCK_NAME = "run.json", "journal.jsonl", "lock"
FORMAT = "toneapp-recording/1"
LOCK_TRIES, LOCK_WAIT_S = 10, 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class UnfinishedRun:
    """A run that was left behind, repaired and ready to be gone on with or closed."""

    folder: Path
    plan: RunPlan
    facts: Mapping[str, Any]  # what the caller noted about the run
    made_at: str
    sample_rate_hz: int
    channels: int
    parts: tuple[tuple[Path, PartFacts], ...]
    blows: tuple[Blow, ...]
    left_out: tuple[int, ...]
    problems: tuple[str, ...]

    @property
    def frames(self) -> int:
        """Frames in all parts."""
        return sum(facts.frames for _, facts in self.parts)

    @property
    def duration_s(self) -> float:
        """Length of what was recorded."""
        return self.frames / self.sample_rate_hz

    def key_plan(self) -> KeyPlan:
        """The plan as far as it was played."""
        done = {blow.filled for blow in self.blows if blow.is_counted and blow.filled is not None}
        return KeyPlan(self.plan, done=sorted(done), left_out=self.left_out)


class RunFolder:
    """The folder of a run that is being recorded; made by `create` or `go_on`.

    Attributes
    ----------
    path : Path
    plan : RunPlan
    facts : mapping
        What the caller wants to know again after a crash (instrument, condition ...); JSON.
    """

    def __init__(
        self,
        path: Path,
        *,
        plan: RunPlan,
        facts: Mapping[str, Any],
        made_at: str,
        sample_rate_hz: int,
        channels: int,
    ) -> None:
        self.path = path
        self.plan = plan
        self.facts = facts
        self.made_at = made_at
        self.sample_rate_hz = sample_rate_hz
        self.channels = channels
        self.parts: list[Path] = []
        self.frames_before = 0  # in parts of an earlier start
        self.blows_before: tuple[Blow, ...] = ()
        self.left_out_before: tuple[int, ...] = ()
        self.problems: list[str] = []
        self._lines: list[str] = []  # all of the journal, to be written anew if the folder goes
        self._written = 0
        # From any thread; the writer takes them out.
        self._inbox: deque[str] = deque()
        self._lock: _FolderLock | None = None

    @classmethod
    def create(
        cls,
        parent: Path,
        *,
        plan: RunPlan,
        facts: Mapping[str, Any],
        sample_rate_hz: int,
        channels: int,
    ) -> RunFolder:
        """Make the folder of a new run.

        Raises
        ------
        OutputError
            If it cannot be made.
        """
        now = datetime.now().astimezone()
        name = f"{FOLDER_PREFIX}{now:%Y%m%d-%H%M%S}-{secrets.token_hex(2)}"
        made = cls(
            parent / name,
            plan=plan,
            facts=dict(facts),
            made_at=now.isoformat(timespec="seconds"),
            sample_rate_hz=sample_rate_hz,
            channels=channels,
        )
        made.restore()
        return made

    @classmethod
    def go_on(cls, unfinished: UnfinishedRun) -> RunFolder:
        """Go on with a run that was left behind.

        Raises
        ------
        OutputError
            If another process has it meanwhile.
        """
        made = cls(
            unfinished.folder,
            plan=unfinished.plan,
            facts=unfinished.facts,
            made_at=unfinished.made_at,
            sample_rate_hz=unfinished.sample_rate_hz,
            channels=unfinished.channels,
        )
        made.parts = [path for path, _ in unfinished.parts]
        made.frames_before = unfinished.frames
        made.blows_before = unfinished.blows
        made.left_out_before = unfinished.left_out
        made.problems = list(unfinished.problems)
        made._lock = _FolderLock.take(unfinished.folder)
        if made._lock is None:
            raise OutputError(f"the run in {unfinished.folder} is in use by another window")
        for blow in unfinished.blows:  # as they are now, whatever the old journal says
            made.note({"blow": blow_to_json(blow)})
        made.note({"left_out": list(unfinished.left_out)})
        for problem in unfinished.problems:
            made.note({"problem": problem})
        with contextlib.suppress(OSError):
            # A line that was torn when the program ended is written over.
            made._written = (unfinished.folder / JOURNAL_NAME).read_bytes().rfind(b"\n") + 1
        return made

    @property
    def is_in_place(self) -> bool:
        """Whether the folder is still there."""
        return (self.path / PLAN_NAME).is_file()

    def new_part_path(self) -> Path:
        """Name of the next part; no file has it."""
        number = len(self.parts) + 1
        while True:
            path = self.path / f"part-{number:04d}.wav"
            if not path.exists() and path not in self.parts:
                return path
            number += 1

    def restore(self) -> None:
        """Make the folder and all that lies in it but the sound, at first or once more.

        Raises
        ------
        OutputError
            If it cannot be made.
        """
        try:
            self.path.mkdir(parents=True, exist_ok=True)
        except OSError as exc:
            raise OutputError(
                f"the folder {self.path} cannot be made: {exc.strerror}; choose another place"
            ) from exc
        head = {
            "format": FORMAT,
            "made_at": self.made_at,
            "sample_rate_hz": self.sample_rate_hz,
            "channels": self.channels,
            "plan": self.plan.to_json(),
            "facts": dict(self.facts),
        }
        text = json.dumps(head, ensure_ascii=False, allow_nan=False, indent=1)
        # The lock first: a folder that nobody holds and that has a plan was left behind.
        self.release()
        self._lock = _FolderLock.take_soon(self.path)
        write_atomically(self.path / PLAN_NAME, text.encode("utf-8"))
        self._written = 0
        for line in reversed(self._lines):
            self._inbox.appendleft(line)
        self._lines.clear()

    def note(self, entry: Mapping[str, Any]) -> None:
        """Add an entry to the journal; it reaches the disk with the next `sync_journal`."""
        self._inbox.append(json.dumps(entry, ensure_ascii=False, allow_nan=False))

    def sync_journal(self) -> None:
        """Write what was noted and force it to the disk.

        Raises
        ------
        OSError
            If the disk refuses; nothing is lost then, it is tried again the next time.
        """
        if not self._inbox:
            return
        lines = [self._inbox.popleft() for _ in range(len(self._inbox))]
        data = "".join(line + "\n" for line in lines).encode("utf-8")
        try:
            with (self.path / JOURNAL_NAME).open("ab") as file:
                file.truncate(self._written)  # half a line of a failed attempt
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
        except OSError:
            for line in reversed(lines):
                self._inbox.appendleft(line)
            raise
        self._written += len(data)
        self._lines += lines

    def release(self) -> None:
        """Let other processes have the folder."""
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    def remove(self) -> None:
        """Remove the folder: its sound lies safely elsewhere."""
        self.release()
        shutil.rmtree(self.path, ignore_errors=True)


def find_unfinished(parent: Path) -> tuple[UnfinishedRun, ...]:
    """Find runs that were left behind, repair their sound, and tell how far they came.

    Parameters
    ----------
    parent : Path
        Folder in which `RunFolder.create` made them.

    Returns
    -------
    tuple of UnfinishedRun
        The oldest first. Folders without any sound are removed; those in use are left out, and
        those that cannot be read are left where they are.
    """
    try:
        folders = sorted(
            item
            for item in parent.iterdir()
            if item.name.startswith(FOLDER_PREFIX) and item.is_dir()
        )
    except OSError:
        return ()
    found = []
    for folder in folders:
        lock = _FolderLock.take(folder)
        if lock is None:
            continue
        try:
            unfinished = _read_folder(folder)
        except (OSError, AudioFileError, ValueError, TypeError, KeyError) as exc:
            logger.warning("the run in %s cannot be read: %s", folder, exc)
            continue
        finally:
            lock.release()
        if unfinished is None:
            shutil.rmtree(folder, ignore_errors=True)
        else:
            found.append(unfinished)
    return tuple(found)


def _read_folder(folder: Path) -> UnfinishedRun | None:
    head = json.loads((folder / PLAN_NAME).read_text(encoding="utf-8"))
    if head["format"] != FORMAT:
        raise ValueError(f"format {head['format']!r}")
    parts = []
    for path in sorted(folder.glob("part-*.wav")):
        facts = repair_part(path)
        if facts is None:
            path.unlink()
        else:
            parts.append((path, facts))
    if not parts:
        return None
    plan = RunPlan.from_json(head["plan"])
    duration_s = sum(facts.frames for _, facts in parts) / head["sample_rate_hz"]
    blows, left_out, problems = _read_journal(folder / JOURNAL_NAME, plan.asks())
    problems.append("the recording was interrupted and gone on with")
    return UnfinishedRun(
        folder=folder,
        plan=plan,
        facts=head["facts"],
        made_at=str(head["made_at"]),
        sample_rate_hz=int(head["sample_rate_hz"]),
        channels=int(head["channels"]),
        parts=tuple(parts),
        # A blow whose sound did not reach the disk is none.
        blows=tuple(blow for blow in blows if blow.end_s <= duration_s),
        left_out=left_out,
        problems=tuple(dict.fromkeys(problems)),
    )


def _read_journal(
    path: Path, asks: tuple[Ask, ...]
) -> tuple[list[Blow], tuple[int, ...], list[str]]:
    blows: dict[int, Blow] = {}
    left_out: tuple[int, ...] = ()
    problems: list[str] = []
    try:
        text = path.read_text(encoding="utf-8", errors="replace")
    except FileNotFoundError:
        return [], (), []
    for line in text.splitlines():
        try:
            entry = json.loads(line)
            if "blow" in entry:
                blow = blow_from_json(entry["blow"], asks)
                blows[blow.number] = blow
            elif "left_out" in entry:
                left_out = tuple(int(index) for index in entry["left_out"])
            elif "problem" in entry:
                problems.append(str(entry["problem"]))
        except (ValueError, TypeError, KeyError, IndexError):  # torn by the end of the program
            logger.debug("a line of %s was not understood", path)
    return [blows[number] for number in sorted(blows)], left_out, problems


def blow_to_json(blow: Blow) -> dict[str, Any]:
    """Blow as an object of JSON, without what is measured anew from the sound."""
    data = {
        name: getattr(blow, name)
        for name in (
            "number", "midi", "onset_s", "end_s", "release_s", "hold_s", "cents", "level_db",
            "level_step_db", "touch_step_db", "is_cut", "is_counted", "filled",
        )
    }  # fmt: skip
    data["ask"] = blow.ask.index
    data["disturbed_at_s"] = list(blow.disturbed_at_s)
    data["reasons"] = [reason.value for reason in blow.reasons]
    return data


def blow_from_json(data: Mapping[str, Any], asks: tuple[Ask, ...]) -> Blow:
    """Read what `blow_to_json` wrote.

    Raises
    ------
    ValueError, TypeError, KeyError, IndexError
        If it is something else.
    """
    rest = dict(data)
    ask = asks[int(rest.pop("ask"))]
    reasons = tuple(Reason(word) for word in rest.pop("reasons"))
    disturbed = tuple(float(at_s) for at_s in rest.pop("disturbed_at_s"))
    return Blow(ask=ask, reasons=reasons, disturbed_at_s=disturbed, **rest)


class _FolderLock:
    """A lock of the operating system, which ends with the process that holds it."""

    def __init__(self, handle: int) -> None:
        self._handle = handle

    @classmethod
    def take(cls, folder: Path) -> _FolderLock | None:
        """Take the lock, or ``None`` when another has it or the folder cannot be written."""
        try:
            handle = os.open(folder / LOCK_NAME, os.O_RDWR | os.O_CREAT)
        except OSError:
            return None
        try:
            if os.name == "nt":
                import msvcrt

                msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]  # Windows only
            else:
                import fcntl

                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(handle)
            return None
        return cls(handle)

    @classmethod
    def take_soon(cls, folder: Path) -> _FolderLock | None:
        """Take the lock of a new folder, which another window may be looking into just now."""
        for _ in range(LOCK_TRIES):
            lock = cls.take(folder)
            if lock is not None:
                return lock
            time.sleep(LOCK_WAIT_S)
        return None

    def release(self) -> None:
        """Give it back."""
        with contextlib.suppress(OSError):
            os.close(self._handle)
