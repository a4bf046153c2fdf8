"""Which string sounds on after which key? The matrix of struck notes and ringing strings.

Several strikes on one key are drawn together; a string is taken by its number, whatever the cause
(a string without a damper may get one).

Conventions: levels in dB relative to the struck note's own peak level, 0.1 s after the release.

Functions: `ringing_matrix`, `heard_limit_db`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from toneapp.pitch import note_name
from toneapp.results import Cause, EchoString, RunResult, StrikeResult

__all__ = [
    "NO_KEY_MIDI",
    "RingingCell",
    "RingingMatrix",
    "heard_limit_db",
    "ringing_matrix",
]

NO_KEY_MIDI = 0
"""Stands for the sounds that belong to no key."""

SURELY_HEARD_DB = -50.0
"""Strings louder than this are found in at least nine of ten cases (measured on simulated pianos
of known truth); weaker ones are reported when found, down to -58 dB, but may be missed behind
others."""

NOISE_MARGIN_DB = -14.0
"""A line is found when it stands 11 dB over the noise within its own narrow band; that band holds
at least 25 dB less than the A-weighted noise of a quiet room (broad, less in the treble)."""

LEAST_TAIL_S = 0.28
"""Sound after the release that is needed to hear what rings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RingingCell:
    """One string after the release of one key, over the strikes on it."""

    struck_midi: int
    midi: int  # of the ringing string; 0 when it belongs to no key
    level_db: float  # energy mean over the strikes of the key that let it be heard
    cause: Cause
    partial: int | None
    hz: float
    t60_s: float | None
    heard: int  # strikes after which it was heard
    strikes: int  # strikes after which it could have been heard
    alternatives: tuple[int, ...] = ()

    @property
    def note(self) -> str:
        """Name of the ringing string."""
        return note_name(self.midi) if self.midi else "no key"


@dataclass(frozen=True, slots=True, kw_only=True)
class RingingMatrix:
    """All strings that ring, and from which keys."""

    cells: tuple[RingingCell, ...]  # upward by string, then by struck key
    struck: tuple[int, ...]  # keys after whose release it could be heard what rings, upward
    limits_db: dict[int, float]  # above which a string would have been found, by struck key
    last_damper_midi: int | None

    @property
    def strings(self) -> tuple[int, ...]:
        """Ringing strings, upward; 0 first when something belongs to no key."""
        return tuple(sorted({cell.midi for cell in self.cells}))

    def of_string(self, midi: int) -> tuple[RingingCell, ...]:
        """Cells of one ringing string, upward by struck key."""
        return tuple(cell for cell in self.cells if cell.midi == midi)

    def of_struck(self, midi: int) -> tuple[RingingCell, ...]:
        """Cells of one struck key, loudest first."""
        own = [cell for cell in self.cells if cell.struck_midi == midi]
        return tuple(sorted(own, key=lambda cell: -cell.level_db))


def heard_limit_db(strike: StrikeResult) -> float | None:
    """Level above which a ringing string would nearly always have been reported.

    Parameters
    ----------
    strike : StrikeResult

    Returns
    -------
    float or None
        dB re the struck note's peak level; None when the strike has no release or too little
        sound after it.

    Notes
    -----
    The higher of the level above which nothing is missed and of what the room noise hides. The
    latter is an estimate from the A-weighted noise: the noise at the very frequency is not kept.
    """
    if strike.release_s is None or strike.end_s - strike.release_s < LEAST_TAIL_S:
        return None
    if strike.noise_dbfs is None or strike.peak_dbfs is None:
        return SURELY_HEARD_DB
    # The highest RMS over 50 ms lies about 9 dB below the peak sample of a struck note.
    hidden_db = strike.noise_dbfs + NOISE_MARGIN_DB - (strike.peak_dbfs - 9.0)
    return max(SURELY_HEARD_DB, hidden_db)


def ringing_matrix(run: RunResult) -> RingingMatrix:
    """Collect what rings over a run.

    Parameters
    ----------
    run : RunResult

    Returns
    -------
    RingingMatrix
        Empty when no strike of the run shows a release.
    """
    by_key: dict[int, list[StrikeResult]] = {}
    limits: dict[int, float] = {}
    for strike in run.strikes:
        limit = heard_limit_db(strike)
        if limit is None:
            if not strike.ringing:
                continue
            limit = SURELY_HEARD_DB
        by_key.setdefault(strike.midi, []).append(strike)
        # One good strike is enough to hear it.
        limits[strike.midi] = min(limits.get(strike.midi, limit), limit)
    cells: list[RingingCell] = []
    for struck, strikes in by_key.items():
        heard: dict[int, list[EchoString]] = {}
        for strike in strikes:
            for midi, echo in _loudest_of_each(strike).items():
                heard.setdefault(midi, []).append(echo)
        cells.extend(
            _cell(struck, midi, echoes, strikes=len(strikes)) for midi, echoes in heard.items()
        )
    ring_on = run.ring_on
    return RingingMatrix(
        cells=tuple(sorted(cells, key=lambda cell: (cell.midi, cell.struck_midi))),
        struck=tuple(sorted(by_key)),
        limits_db=limits,
        last_damper_midi=None if ring_on is None else ring_on.last_damper_midi,
    )


def _loudest_of_each(strike: StrikeResult) -> dict[int, EchoString]:
    """Loudest line of each string after one strike."""
    found: dict[int, EchoString] = {}
    for echo in strike.ringing:
        midi = NO_KEY_MIDI if echo.midi is None else echo.midi
        if midi not in found or echo.level_db > found[midi].level_db:
            found[midi] = echo
    return found


def _cell(
    struck_midi: int, midi: int, echoes: Sequence[EchoString], *, strikes: int
) -> RingingCell:
    loudest = max(echoes, key=lambda echo: echo.level_db)
    levels = np.array([echo.level_db for echo in echoes])
    times = [echo.t60_s for echo in echoes if echo.t60_s is not None]
    return RingingCell(
        struck_midi=struck_midi,
        midi=midi,
        level_db=float(10.0 * np.log10(np.mean(10.0 ** (levels / 10.0)))),
        cause=loudest.cause,
        partial=loudest.partial,
        hz=loudest.hz,
        t60_s=float(np.median(times)) if times else None,
        heard=len(echoes),
        strikes=strikes,
        alternatives=tuple(
            sorted({other.midi for echo in echoes for other in echo.alternatives} - {midi})
        ),
    )
