"""How fast did the damper stop each note of a run, without the room's share?

All notes of a run were heard in one room, and one instrument's dampers are much alike from key to
key. What each release says by itself (`read_damped_decay`) is put beside its neighbours
(`settle_damped_decays`): where the room hides much of a note the neighbours narrow it down, and a
damper that differs clearly is left as it was heard. A note of which the room, or other strings,
hide too much has no damped T60, and a flag says so: neither the room's own decay nor the
neighbours' is given for the damper's.

Functions: `read_damped_decay`, `weigh_likenesses`, `settle_damped_decays`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from toneapp._typing import BoolArray, FloatArray
from toneapp.measure.damped_room import HeardRoom
from toneapp.results import Flag
from toneapp.signal.damped import DampedBands
from toneapp.signal.damped_reading import DampedReading, read_damped

__all__ = ["DampedDecay", "read_damped_decay", "settle_damped_decays", "weigh_likenesses"]

ODD_SHARE = 0.01
"""A note may fit none (talk, a second key): it counts so much at the most against any."""

SE_FACTOR = 1.3
"""Stated errors of single readings against true ones: on the pianos of two unrelated simulators
they come out 1.2 to 2.4 times too small, mostly by less than this."""
SHORT_LN = 0.03
"""Single readings come out short by so much: 2 and 8 % in the middle on the pianos of two
unrelated simulators."""
ROOM_DOUBT = 0.5
"""What the description of rooms leaves out, common to all notes: ln T60 per share of the room in
the energy. Where that is a third, damped decays of one simulated piano come out a fifth too long,
and of another rightly."""
KEY_LN = 0.25
"""Spread of ln T60 between one damper and the line through its neighbours': a quarter (0.1 to 0.3
on simulated pianos; common practice, no source)."""
REACH_KEYS = 6.0
NEAREST = 9
LEVEL_ROUNDS = 4
SLOPE_LN_PER_KEY = 0.03  # an octave changes the damped T60 by a third or so
MOST_OFF = 2.5  # standard errors; a damper farther off its neighbours is judged by itself
KNOWN_SE = 1.0  # readings worse than this say nothing
MOST_LN_SE = 0.23  # a damped T60 that is known no better is not given
LEAST_OWN_SHARE = 0.34  # of the weight; where the neighbours say more the note is hidden


@dataclass(frozen=True, slots=True, kw_only=True)
class DampedDecay:
    """Damped decay of one note, from 5 to 25 dB below the damper's coming to rest."""

    t60_s: float | None = None
    t60_s_se: float | None = None
    flags: tuple[Flag, ...] = ()


def read_damped_decay(bands: DampedBands, room: HeardRoom) -> DampedReading:
    """Read the damped decay of one note beside the room of its run.

    Parameters
    ----------
    bands : DampedBands
        Partials of the note about its release.
    room : HeardRoom
        The room of the run, as from `toneapp.measure.damped_room.weigh_room`.

    Returns
    -------
    DampedReading
        What the note says by itself.
    """
    return read_damped(bands, room_share=room.at(bands.hz), touch_share=room.touch_share)


def settle_damped_decays(
    midi: Sequence[int], readings: Sequence[DampedReading]
) -> list[DampedDecay]:
    """Put the readings of a run beside each other.

    Parameters
    ----------
    midi : sequence of int, length k
        Key of each strike.
    readings : sequence of DampedReading, length k
        What each says by itself.

    Returns
    -------
    list of DampedDecay, length k
        `t60_s` is ``None``, with ``Flag.ROOM_HIDES_DAMPING``, where more than about a quarter of
        doubt is left, or where the neighbours would have to say most of it.

    Raises
    ------
    ValueError
        If there is not one key for each reading.

    Notes
    -----
    How alike the partials are damped the run tells (`weigh_likenesses`). A local straight line
    of ln T60 over the keys, weighted by the errors and robust against odd keys, is the mean of a
    normal prior for each key; the key's own strikes do not enter its own line. A reading that lies
    off by more than 2.5 standard errors keeps its own value.
    """
    if len(midi) != len(readings):
        raise ValueError(f"{len(midi)} keys for {len(readings)} readings")
    own, se = _of_all_likenesses(readings)
    own = own + SHORT_LN
    known = se < KNOWN_SE
    found = [DampedDecay(flags=(Flag.ROOM_HIDES_DAMPING,))] * len(readings)
    if not known.any():
        return found
    x, y, error = np.array(midi, dtype=np.float64)[known], own[known], SE_FACTOR * se[known]
    line, line_se = _line_of_others(x, y, error)
    prior = KEY_LN**2 + line_se**2
    is_odd: BoolArray = np.abs(y - line) > MOST_OFF * np.sqrt(error**2 + prior)
    from_own, from_others = 1.0 / error**2, np.where(is_odd, 0.0, 1.0 / prior)
    total = from_own + from_others
    settled = (from_own * y + from_others * line) / total
    for place, index in enumerate(np.flatnonzero(known).tolist()):
        settled_se = 1.0 / math.sqrt(total[place])
        if settled_se > MOST_LN_SE or from_own[place] < LEAST_OWN_SHARE * total[place]:
            continue
        t60_s = math.exp(settled[place])
        stated_se = math.hypot(settled_se, ROOM_DOUBT * readings[index].reverberant)
        found[index] = DampedDecay(t60_s=t60_s, t60_s_se=t60_s * stated_se)
    return found


def weigh_likenesses(readings: Sequence[DampedReading]) -> FloatArray:
    """Tell how closely the partials of a run's notes are damped alike.

    Parameters
    ----------
    readings : sequence of DampedReading
        What each note says by itself, at least one.

    Returns
    -------
    ndarray, shape (s,)
        Probability of each of `toneapp.signal.damped_reading.LIKENESSES`, all being as likely
        beforehand.
    """
    evidence = np.array([reading.ln_evidence for reading in readings])
    likelihood = np.exp(evidence - evidence.max(axis=1, keepdims=True))
    said = np.log((1.0 - ODD_SHARE) * likelihood + ODD_SHARE).sum(axis=0)
    share = np.exp(said - said.max())
    return np.asarray(share / share.sum())


def _of_all_likenesses(readings: Sequence[DampedReading]) -> tuple[FloatArray, FloatArray]:
    """Mean and error of each reading over the likenesses that are probable in the run."""
    if not readings:
        return np.zeros(0), np.zeros(0)
    share = weigh_likenesses(readings)
    ln_t60 = np.array([reading.ln_t60 for reading in readings])
    se = np.array([reading.ln_t60_se for reading in readings])
    mean = ln_t60 @ share
    return mean, np.sqrt((se**2 + (ln_t60 - mean[:, None]) ** 2) @ share)


def _line_of_others(
    x: FloatArray, y: FloatArray, error: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Value at each key of the line through the other keys about it, and its standard error.

    Without others the error has no end.
    """
    line, line_se = y.copy(), np.full(y.size, np.inf)
    variance = error**2 + KEY_LN**2
    for i in range(x.size):
        others = x != x[i]
        if not others.any():
            continue
        off = x[others] - x[i]
        near = np.exp(-0.5 * (off / REACH_KEYS) ** 2) / variance[others]
        basis = np.stack([np.ones(off.size), off], axis=1)
        values = y[others]
        middle = np.full(
            off.size, np.median(values[np.argsort(np.abs(off), kind="stable")[:NEAREST]])
        )
        for _ in range(LEVEL_ROUNDS):
            weight = near / (1.0 + (values - middle) ** 2 / (4.0 * variance[others]))
            normal = basis.T @ (basis * weight[:, None])
            normal += np.diag([1e-9, SLOPE_LN_PER_KEY**-2])
            inverse = np.linalg.inv(normal)
            fit = inverse @ (basis.T @ (weight * values))
            middle = basis @ fit
        line[i], line_se[i] = fit[0], math.sqrt(inverse[0, 0])
    return line, line_se
