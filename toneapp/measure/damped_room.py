"""In which room was a run played, in each octave, and how softly do its dampers come down?

A room rings longer in the bass than in the treble, and its sound is not equally loud in all
octaves. All releases of a run were heard in it: what each of their partials makes of the rooms
that are possible is put together octave by octave, and neighbouring octaves are taken to be alike.
The dampers of one instrument touch alike as well.

Functions: `choose_witnesses`, `hear_room`, `weigh_hearings`, `weigh_room`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray, IntArray
from toneapp.signal.damped import DampedBands, strongest_bands
from toneapp.signal.damped_grid import ROOM_LEVEL_DB, ROOM_T60_S, TOUCHES
from toneapp.signal.damped_reading import MOMENT_LN_PRIOR, room_evidence

__all__ = [
    "OCTAVE_EDGES_HZ",
    "HeardRoom",
    "RoomHearing",
    "choose_witnesses",
    "hear_room",
    "weigh_hearings",
    "weigh_room",
]

OCTAVE_EDGES_HZ = np.array([88.0, 177.0, 354.0, 707.0, 1414.0, 2828.0, 5657.0])
"""Between the octaves of ISO 266; below the first and above the last lies one more each."""
MOST_WITNESSES = 28  # releases, spread over the run; more do not change the verdict
WITNESS_PARTIALS = 6
NO_ROOM_PRIOR = 0.5  # the other half is shared among the rooms
ODD_SHARE = 0.02
"""A release may fit none of the rooms (talk, a second key): it counts so much at the most against
any of them."""
LEVEL_STEP_DB = 4.0
T60_STEP_LN = 0.3
"""Spread of what a room changes by from one octave to the next: some dB, and a third in time."""
SOME_ROOM = 0.01  # chance that a room begins or ends from one octave to the next
TOUCH_POWER = 2.0
"""How a run's dampers touch is told by the strikes that show it; those that do not guess by what
the room covers. The square gives the first more weight."""
ROUNDS = 12
LEAST_WEIGHT = 0.03  # rooms that are less likely are left out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoomHearing:
    """What one release says for rooms, moments and touches."""

    hz: FloatArray  # (k,) of its partials
    evidence: FloatArray  # (k, r, j, c) ln likelihood


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeardRoom:
    """The room of a run, octave by octave, and the touch of its dampers."""

    share: FloatArray  # (octaves, r) probability of each room of `damped_grid`
    touch_share: FloatArray  # (c,) probability of each touch

    def at(self, hz: FloatArray) -> FloatArray:
        """Rooms that are likely at some frequencies, (k, r); each row sums to 1."""
        share = self.share[np.searchsorted(OCTAVE_EDGES_HZ, hz)]
        kept = np.where(
            share >= np.minimum(LEAST_WEIGHT, share.max(axis=1, keepdims=True)), share, 0.0
        )
        return np.asarray(kept / kept.sum(axis=1, keepdims=True))


def weigh_room(releases: Sequence[DampedBands]) -> HeardRoom:
    """Tell the room of a run.

    Parameters
    ----------
    releases : sequence of DampedBands
        Releases of one run; none at all leaves what is known beforehand.

    Returns
    -------
    HeardRoom
        Probabilities.
    """
    return weigh_hearings([hear_room(release) for release in choose_witnesses(releases)])


def choose_witnesses(releases: Sequence[DampedBands]) -> list[DampedBands]:
    """Choose the releases that tell of the room, spread over the run."""
    if not releases:
        return []
    at = np.linspace(0, len(releases) - 1, MOST_WITNESSES).round().astype(int)
    return [releases[index] for index in np.unique(at).tolist()]


def hear_room(release: DampedBands) -> RoomHearing:
    """Hear what the strongest partials of a release say for each room."""
    witness = strongest_bands(release, WITNESS_PARTIALS)
    return RoomHearing(hz=witness.hz, evidence=room_evidence(witness).astype(np.float32))


def weigh_hearings(hearings: Sequence[RoomHearing]) -> HeardRoom:
    """Put together what the witnesses say.

    Parameters
    ----------
    hearings : sequence of RoomHearing
        One for each witness.

    Returns
    -------
    HeardRoom
        Probabilities.

    Notes
    -----
    Moments and touches of the releases, and rooms of the octaves, are told by each other in turn
    (a mean-field approximation); the octaves form a chain, whose sums run forward and backward.
    """
    before = np.full(ROOM_T60_S.size, (1.0 - NO_ROOM_PRIOR) / (ROOM_T60_S.size - 1))
    before[0] = NO_ROOM_PRIOR
    share = np.tile(before, (OCTAVE_EDGES_HZ.size + 1, 1))
    touch = np.full(len(TOUCHES), 1.0 / len(TOUCHES))
    octaves = [np.searchsorted(OCTAVE_EDGES_HZ, hearing.hz) for hearing in hearings]
    for _ in range(ROUNDS if hearings else 0):
        said = np.zeros(share.shape)
        touches = np.ones(len(TOUCHES))
        for hearing, octave in zip(hearings, octaves, strict=True):
            of_rooms, of_touches = _one_says(hearing, share[octave], touch)
            touches += of_touches
            said += _by_octave(of_rooms, octave, share.shape)
        touch = touches / touches.sum()
        share = _along_octaves(said, before)
    touch = touch**TOUCH_POWER
    return HeardRoom(share=share, touch_share=touch / touch.sum())


def _one_says(
    hearing: RoomHearing, share: FloatArray, touch: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """What one release says for the rooms at its partials, (k, r), and for the touches, (c,)."""
    joint = np.einsum("krjc,kr->jc", hearing.evidence, share)
    joint = joint + MOMENT_LN_PRIOR[:, None] + np.log(touch)
    weight = np.exp(joint - joint.max())
    weight /= weight.sum()
    return np.einsum("krjc,jc->kr", hearing.evidence, weight), weight.sum(axis=0)


def _by_octave(of_rooms: FloatArray, octave: IntArray, shape: tuple[int, ...]) -> FloatArray:
    """Sum over the partials of each octave, of limited effect."""
    said = np.zeros(shape)
    for place in np.unique(octave):
        total = of_rooms[octave == place].sum(axis=0)
        likelihood = np.exp(total - total.max())
        said[place] = np.log((1.0 - ODD_SHARE) * likelihood / likelihood.mean() + ODD_SHARE)
    return said


def _along_octaves(said: FloatArray, before: FloatArray) -> FloatArray:
    """Probability of each room in each octave, neighbouring octaves being alike."""
    level, ln_t60 = ROOM_LEVEL_DB, np.log(ROOM_T60_S)
    step = np.exp(
        -0.5 * ((level[:, None] - level) / LEVEL_STEP_DB) ** 2
        - 0.5 * ((ln_t60[:, None] - ln_t60) / T60_STEP_LN) ** 2
    )
    step[0, :] = step[:, 0] = SOME_ROOM
    step[0, 0] = 1.0
    step /= step.sum(axis=1, keepdims=True)
    here = np.exp(said - said.max(axis=1, keepdims=True))
    forward, backward = np.empty_like(here), np.ones_like(here)
    forward[0] = before * here[0]
    for i in range(1, len(here)):
        forward[i] = (forward[i - 1] / forward[i - 1].sum()) @ step * here[i]
    for i in range(len(here) - 2, -1, -1):
        backward[i] = step @ (here[i + 1] * backward[i + 1])
        backward[i] /= backward[i].max()
    share = forward * backward
    return np.asarray(share / share.sum(axis=1, keepdims=True))
