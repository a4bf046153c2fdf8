"""Is it a blow at all? Which of the candidate onsets of a run are struck strings, and how surely.

One candidate is judged by its own evidence, by how far it rises against the rest of the run, and
by what was struck just before it; which key it is, is for `toneapp.measure.labelling` to say.

Functions: `is_strike`, `is_clear`, `is_plain_but_no_louder`, `trust_in`, `no_thump`,
`stands_alone`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from toneapp._typing import BoolArray, FloatArray, IntArray
from toneapp.measure.evidence import PITCH_GRID, StrikeEvidence

__all__ = [
    "LEAST_STEADINESS",
    "LEAST_SUPPORT",
    "USUAL_STEADINESS",
    "is_clear",
    "is_plain_but_no_louder",
    "is_strike",
    "no_thump",
    "stands_alone",
    "trust_in",
]

LEAST_SUPPORT = -0.15
"""Evidence below this is no note: the partials that are missing outweigh those found."""

LEAST_RISE_DB = 1.5
"""The first tenth of a second after a strike is this much stronger than the one before."""

LEAST_LOUDEST_DB = 16.0
"""Level of the strongest peak above the noise around it. Of noise alone the strongest of some
thousand bins stands 10 to 15 dB above their median; the weakest note of a real grand in noise of
half its own level (10 dB below the whole run) stands 22 dB above."""

LEAST_STEADINESS = 0.45
USUAL_STEADINESS = 0.7
STEADINESS_WEIGHT = 0.5
LEAST_QUALITY = -0.05
"""Support and steadiness make up for each other. Of struck strings, simulated and real, 98 in 100
keep 0.9 of their strength in lines that stay put; of spoken syllables most keep less than 0.5, and
a knock supports no note."""

LEAST_TRUST = 0.05
FULL_TRUST = 0.5
"""Shares of the run's median rise: below the first an onset is no blow, above the second it counts
in full. Blows of one run differ by a factor 4 in it, beats and thumps rise by far less."""

CLEAR_FROM_MIDI = 92.0
CLEAR_SUPPORT = 0.4
CLEAR_STEADINESS = 0.85
"""In the highest octaves few bands rise, and with a soft blow by a thirtieth of the run's usual
rise. What explains itself as one such string and stays put is a blow all the same."""

PLAIN_SUPPORT = 0.4
PLAIN_STEADINESS = 0.85
PLAIN_PEAKS = 12
PLAIN_SHARE = 0.25
"""Where a louder note was let go just before, the sound as a whole grows no louder with the next
blow. Many new partials of one key that stay put, and a rise of a quarter of the run's usual one
summed over the bands (a beat or a thump rises by a twentieth), are a blow all the same."""

NEW_PEAKS = 40
NEW_HIGHEST_MIDI = 60.0
NEW_RISE_DB = -3.0
NEW_SUPPORT = 0.1
NEW_STEADINESS = 0.6
"""A bass note brings 80 and more lines that were not there before, even where the low ones are
hidden by the louder note that sounds on or was just let go, and the bands rise by a seventh of the
usual; above middle C no string has so many. The release of a note brings as many where there is no
noise, but they support no bass key, and the level falls by 5 dB and more within a tenth of a
second."""

THUMP_SHARE = 0.1
"""What rises on the key struck last by less than a tenth of that blow is its release: a soft blow
rises by a quarter of a firm one."""

LATER_SUPPORT = 0.1
LATER_SHARE = 0.3
"""In a folder of single notes no order tells a blow from a noise. What follows the strongest sound
of a recording is a blow when it has evidence of its own and rises by more than a thump, or is the
same key and rises by three tenths as much."""


def trust_in(rises_db: Sequence[float] | None, usable: BoolArray, clear: BoolArray) -> FloatArray:
    """How much each candidate counts, by its rise against the run's own.

    Parameters
    ----------
    rises_db : sequence of float, length k, or None
        Rise at each onset, summed over bands, in dB.
    usable, clear : ndarray of bool, shape (k,)
        What is a strike by its own evidence, and what is one however little it rises.

    Returns
    -------
    ndarray, shape (k,)
        From 0 to 1.
    """
    if rises_db is None or np.count_nonzero(usable) < 4:
        return np.ones(usable.size)
    rises = np.asarray(rises_db, dtype=np.float64)
    # The median of the stronger half: false onsets may outnumber the blows.
    usual = float(np.quantile(rises[usable], 0.75))
    share = rises / max(usual, 1e-9)
    is_nothing = (share < LEAST_TRUST) & ~clear
    return np.where(is_nothing, 0.0, np.clip(share / FULL_TRUST, LEAST_TRUST, 1.0))


def is_plain_but_no_louder(
    evidence: Sequence[StrikeEvidence], rises_db: Sequence[float] | None, usable: BoolArray
) -> BoolArray:
    """Mark blows beyond doubt whose sound is no louder than the note let go before.

    Parameters
    ----------
    evidence : sequence of StrikeEvidence, length k
        Evidence of each candidate.
    rises_db : sequence of float, length k, or None
        Rise at each onset, summed over bands, in dB.
    usable : ndarray of bool, shape (k,)
        What is a strike by `is_strike`.

    Returns
    -------
    ndarray of bool, shape (k,)
        None are marked where the rises are not known or fewer than four strikes tell the usual.
    """
    if rises_db is None or np.count_nonzero(usable) < 4:
        return np.zeros(usable.size, dtype=np.bool_)
    rises = np.asarray(rises_db, dtype=np.float64)
    usual = float(np.quantile(rises[usable], 0.75))
    return np.array(
        [
            (rise >= PLAIN_SHARE * usual and _is_plain(item))
            or (rise >= THUMP_SHARE * usual and _is_new_series(item))
            for item, rise in zip(evidence, rises, strict=True)
        ],
        dtype=np.bool_,
    )


def _is_plain(item: StrikeEvidence) -> bool:
    """Tell one key's partials that stay put."""
    return (
        item.peak_count >= PLAIN_PEAKS
        and item.steadiness >= PLAIN_STEADINESS
        and float(item.support.max()) >= PLAIN_SUPPORT
    )


def _is_new_series(item: StrikeEvidence) -> bool:
    """Tell a bass note by the many lines that were not there before."""
    at = int(np.argmax(item.support))
    return (
        item.new_count >= NEW_PEAKS
        and item.steadiness >= NEW_STEADINESS
        and item.rise_db >= NEW_RISE_DB
        and float(PITCH_GRID[at]) <= NEW_HIGHEST_MIDI
        and float(item.support[at]) >= NEW_SUPPORT
    )


def no_thump(midis: IntArray, rises_db: FloatArray, sources: IntArray) -> BoolArray:
    """Mark what is not the release of the key struck last.

    Parameters
    ----------
    midis, sources : ndarray of int, shape (k,)
        Key that each strike was read as, and its recording.
    rises_db : ndarray, shape (k,)
        Rise at each onset, summed over bands, in dB.

    Returns
    -------
    ndarray of bool, shape (k,)
        ``False`` for the release of a key.
    """
    keep = np.ones(midis.size, dtype=np.bool_)
    last = 0
    for i in range(1, midis.size):
        is_same = midis[i] == midis[last] and sources[i] == sources[last]
        keep[i] = not (is_same and rises_db[i] < THUMP_SHARE * rises_db[last])
        last = i if keep[i] else last
    return keep


def stands_alone(
    midis: IntArray, rises_db: FloatArray, sources: IntArray, support: FloatArray
) -> BoolArray:
    """Mark the strongest sound of each recording, and what has evidence enough beside it.

    Parameters
    ----------
    midis, sources : ndarray of int, shape (k,)
        Key that each strike was read as, and its recording.
    rises_db : ndarray, shape (k,)
        Rise at each onset, summed over bands, in dB.
    support : ndarray, shape (k,)
        Evidence for the best pitch of each.

    Returns
    -------
    ndarray of bool, shape (k,)
        ``False`` for what is taken for a noise.
    """
    keep = np.zeros(midis.size, dtype=np.bool_)
    for source in np.unique(sources):
        own = np.flatnonzero(sources == source)
        first = own[int(np.argmax(rises_db[own]))]
        keep[own] = (support[own] >= LATER_SUPPORT) & (
            rises_db[own] >= THUMP_SHARE * rises_db[first]
        )
        again = (midis[own] == midis[first]) & (rises_db[own] >= LATER_SHARE * rises_db[first])
        keep[own[again]] = True
    return keep


def is_clear(item: StrikeEvidence) -> bool:
    """Tell a string of the highest octaves that is beyond doubt by its evidence alone."""
    at = int(np.argmax(item.support))
    return (
        float(PITCH_GRID[at]) >= CLEAR_FROM_MIDI
        and float(item.support[at]) >= CLEAR_SUPPORT
        and item.steadiness >= CLEAR_STEADINESS
        and item.rise_db >= LEAST_RISE_DB
    )


def is_strike(item: StrikeEvidence) -> bool:
    """Tell a struck string from a knock, a voice or a beat, by its evidence alone."""
    support = float(item.support.max())
    quality = support + STEADINESS_WEIGHT * (item.steadiness - USUAL_STEADINESS)
    return (
        item.peak_count > 0
        and item.loudest_db >= LEAST_LOUDEST_DB
        and item.rise_db >= LEAST_RISE_DB
        and item.steadiness >= LEAST_STEADINESS
        and support >= LEAST_SUPPORT
        and quality >= LEAST_QUALITY
    )
