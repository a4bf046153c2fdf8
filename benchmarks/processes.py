"""What do a command and all its child processes cost: time, processor time, memory?

Functions: `run_watched`. Memory is read from ``/proc`` (Linux); elsewhere it is not reported.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Cost", "run_watched"]

LOOK_EVERY_S = 0.05
_MIB = 1024.0  # /proc counts in KiB


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """Cost of one command."""

    wall_s: float
    cpu_s: float  # of all its processes
    peak_mib: float | None  # all processes together, each shared page counted once
    peak_resident_mib: float | None  # sum of what is resident, shared pages counted each time
    output: str


def run_watched(command: Sequence[str], *, watch_memory: bool = True) -> Cost:
    """Run a command to its end.

    Raises
    ------
    subprocess.CalledProcessError
        If it fails.
    """
    before = os.times()
    began = time.perf_counter()
    peak, resident = 0.0, 0.0
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        if watch_memory and Path("/proc/self/smaps_rollup").exists():
            while process.poll() is None:
                own, shared = _memory_mib(_family(process.pid))
                peak, resident = max(peak, own), max(resident, shared)
                time.sleep(LOOK_EVERY_S)
        output, _ = process.communicate()
    wall_s = time.perf_counter() - began
    after = os.times()
    if process.returncode != 0:
        raise subprocess.CalledProcessError(process.returncode, list(command), output)
    return Cost(
        wall_s=wall_s,
        cpu_s=(after.children_user - before.children_user)
        + (after.children_system - before.children_system),
        peak_mib=peak or None,
        peak_resident_mib=resident or None,
        output=output,
    )


def _family(pid: int) -> list[int]:
    """Process numbers of a process and all its descendants."""
    found = [pid]
    for parent in found:
        with contextlib.suppress(OSError):
            for task in Path(f"/proc/{parent}/task").iterdir():
                found.extend(int(child) for child in (task / "children").read_text().split())
    return found


def _memory_mib(pids: Sequence[int]) -> tuple[float, float]:
    """Proportional and resident memory of processes."""
    own, resident = 0.0, 0.0
    for pid in pids:
        with contextlib.suppress(OSError):
            for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
                if line.startswith("Pss:"):
                    own += float(line.split()[1]) / _MIB
                elif line.startswith("Rss:"):
                    resident += float(line.split()[1]) / _MIB
    return own, resident
