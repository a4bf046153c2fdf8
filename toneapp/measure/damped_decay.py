"""How fast did the damper stop each note of a run, without the room's share?

All notes of a run were heard in one room. What each release makes of the rooms that are possible
is put together first; then every note is read beside the room that remains. A note of which the
room, or other strings, hide too much has no damped T60, and a flag says so: the room's own decay
is never given for the damper's.

Functions: `weigh_rooms`, `read_damped_decay`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray
from toneapp.results import Flag
from toneapp.signal.damped import DampedBands, read_damped, strongest_bands
from toneapp.signal.damped_likelihood import ROOM_T60_S

__all__ = [
    "DampedDecay",
    "choose_witnesses",
    "read_damped_decay",
    "room_evidence",
    "weigh_evidence",
    "weigh_rooms",
]

MOST_WITNESSES = 36  # releases, spread over the run; more do not change the verdict
WITNESS_PARTIALS = 6
NO_ROOM_PRIOR = 0.5  # the other half is shared among the rooms
ODD_SHARE = 0.02
"""A release may fit none of the rooms (talk, a second key): it counts so much at the most against
any of them."""
LEAST_WEIGHT = 0.03  # rooms that are less likely are left out
MOST_LN_SE = 0.22  # a damped T60 that is known no better is not given


@dataclass(frozen=True, slots=True, kw_only=True)
class DampedDecay:
    """Damped decay of one note, from 5 to 25 dB below the damper's coming to rest."""

    t60_s: float | None = None
    t60_s_se: float | None = None
    flags: tuple[Flag, ...] = ()


def weigh_rooms(releases: Sequence[DampedBands]) -> FloatArray:
    """Tell how likely each of the rooms is.

    Parameters
    ----------
    releases : sequence of DampedBands
        Releases of one run; none at all leaves what is known beforehand.

    Returns
    -------
    ndarray, shape (r,)
        Probability of each room of `toneapp.signal.damped_likelihood`; they sum to 1.
    """
    return weigh_evidence([room_evidence(release) for release in choose_witnesses(releases)])


def choose_witnesses(releases: Sequence[DampedBands]) -> list[DampedBands]:
    """Choose the releases that tell of the room, spread over the run."""
    if not releases:
        return []
    at = np.linspace(0, len(releases) - 1, MOST_WITNESSES).round().astype(int)
    return [releases[index] for index in np.unique(at).tolist()]


def room_evidence(release: DampedBands) -> FloatArray:
    """Logarithm of what one release says for each room, shape (r,)."""
    witness = read_damped(strongest_bands(release, WITNESS_PARTIALS))
    share = np.exp(witness.evidence - witness.evidence.max())
    return np.asarray(np.log((1.0 - ODD_SHARE) * share / share.mean() + ODD_SHARE))


def weigh_evidence(evidence: Sequence[FloatArray]) -> FloatArray:
    """Probability of each room, shape (r,), from what the witnesses say."""
    count = ROOM_T60_S.size
    total = np.full(count, math.log((1.0 - NO_ROOM_PRIOR) / (count - 1)))
    total[0] = math.log(NO_ROOM_PRIOR)
    total = sum(evidence, start=total)
    weight = np.exp(total - total.max())
    return np.asarray(weight / weight.sum())


def read_damped_decay(bands: DampedBands, room_weight: FloatArray) -> DampedDecay:
    """Read the damped T60 of one note.

    Parameters
    ----------
    bands : DampedBands
        Partials of the note about its release.
    room_weight : ndarray, shape (r,)
        Probability of each room, as from `weigh_rooms`.

    Returns
    -------
    DampedDecay
        `t60_s` is ``None``, with ``Flag.ROOM_HIDES_DAMPING``, where the room or other strings
        leave more than a fifth of doubt.

    Raises
    ------
    ValueError
        If there is not one weight for each room.

    Notes
    -----
    On simulated pianos in rooms of T60 0.25 to 0.8 s (reverberation 8 to 14 dB below the direct
    sound) a third to a half of the notes are given, with median errors of 11 to 22 %: most in the
    bass, few in the treble, whose dampers are faster than any room. Without a room nearly all
    are given, with 4 %. On sums of exponentials by another formula the error is 7 %.
    """
    weight = np.asarray(room_weight, dtype=np.float64)
    if weight.shape != ROOM_T60_S.shape:
        raise ValueError(f"room_weight must be ({ROOM_T60_S.size},), got {weight.shape}")
    rooms = np.flatnonzero(weight >= min(LEAST_WEIGHT, float(weight.max())))
    share = weight[rooms] / weight[rooms].sum()
    reading = read_damped(bands, rooms)
    mean = float(share @ reading.ln_t60)
    square = float(share @ (reading.ln_t60_se**2 + reading.ln_t60**2))
    se = math.sqrt(max(square - mean**2, 0.0))
    if se > MOST_LN_SE:
        return DampedDecay(flags=(Flag.ROOM_HIDES_DAMPING,))
    return DampedDecay(t60_s=math.exp(mean), t60_s_se=math.exp(mean) * se)
