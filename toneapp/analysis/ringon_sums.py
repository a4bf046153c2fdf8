"""What do the strings that ring add up to over a run?

Functions: `sum_up_strings`, `treble_echo`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from toneapp.pitch import note_name
from toneapp.results import Cause, EchoString, EchoSummary, StrikeResult

__all__ = ["sum_up_strings", "treble_echo"]

LEAST_STRIKES = 5


def sum_up_strings(results: Sequence[StrikeResult]) -> tuple[EchoSummary, ...]:
    """Sum up every string over the strikes after which it is heard.

    Parameters
    ----------
    results : sequence of StrikeResult
        The strikes of a run with `ringing` filled.

    Returns
    -------
    tuple of EchoSummary
        What is heard most, by energy summed over the strikes, comes first.
    """
    heard: dict[tuple[int, Cause], list[tuple[int, EchoString]]] = {}
    for result in results:
        for echo in result.ringing:
            if echo.midi is not None and echo.cause in (Cause.UNDAMPED, Cause.OTHER_DAMPER):
                heard.setdefault((echo.midi, echo.cause), []).append((result.midi, echo))
    summaries = []
    for (midi, cause), echoes in heard.items():
        levels = np.array([echo.level_db for _, echo in echoes])
        summaries.append(
            EchoSummary(
                midi=midi,
                note=note_name(midi),
                cause=cause,
                from_keys=tuple(sorted({key for key, _ in echoes})),
                level_db=float(10.0 * np.log10(np.mean(10.0 ** (levels / 10.0)))),
                loudest_db=float(levels.max()),
                t60_s=float(
                    np.median([echo.t60_s for _, echo in echoes if echo.t60_s is not None])
                ),
            )
        )
    return tuple(
        sorted(
            summaries,
            key=lambda item: -(item.level_db + 10.0 * np.log10(len(item.from_keys))),
        )
    )


def treble_echo(
    results: Sequence[StrikeResult], heard: Sequence[bool], *, last_damper: int
) -> tuple[float | None, float | None]:
    """Energy mean over the damped strikes of what strings without dampers add.

    Parameters
    ----------
    results : sequence of StrikeResult
        The strikes of a run with `ringing` filled.
    heard : sequence of bool
        Whether the sound after each strike's release could be heard.
    last_damper : int
        Highest key with a damper.

    Returns
    -------
    level_db, level_db_se : float or None
        In dB relative to the struck notes' peak levels, and its standard error; None with fewer
        than five strikes, or where nothing rings.
    """
    energies = [
        sum(
            10.0 ** (echo.level_db / 10.0)
            for echo in result.ringing
            if echo.cause is Cause.UNDAMPED
        )
        for result, hears in zip(results, heard, strict=True)
        if hears and result.midi <= last_damper
    ]
    if len(energies) < LEAST_STRIKES or not any(energies):
        return None, None
    values = np.asarray(energies)
    mean = float(values.mean())
    se = float(values.std(ddof=1) / np.sqrt(values.size))
    return 10.0 * float(np.log10(mean)), 10.0 / float(np.log(10.0)) * se / mean
