"""Which dampers leak? What rings in the whole run, explained by as few strings as will do.

A string whose damper leaks rings on at its own partials after its own blow, and at the same
frequencies, to a tenth of a hertz, after the blows on other keys. A string an octave or a fifth
away rings at the partials both share, and at no others. Each key is given the sum of what speaks
for a leak and against it, as differences of log likelihood; the key with the highest sum is taken,
what it explains no longer speaks for others, and so on until no sum is positive. What each sign
tells is rounded from some forty runs of two unrelated simulated pianos.

Classes: `LeakEvidence`.
"""

from __future__ import annotations

import math
from collections.abc import Collection

import numpy as np

from toneapp._typing import BoolArray, FloatArray
from toneapp.analysis.ringon_heard import MAY_RING_RATIO, excess_levels_db, gather_lines
from toneapp.analysis.ringon_run import RingRun
from toneapp.measure.echo_strings import StringTable

__all__ = ["LeakEvidence"]

PRIOR = -6.5
WORTH_KEYS = 2
"""Before anything is heard: a few of some seventy dampers leak, and as much again for the free
choice among them. Where some are known to leak others are likelier to: what was thought before of
how often dampers leak counts as much as having heard of this many (a gamma prior for the rate)."""

OWN_PARTIALS = 5
OWN_RINGS = 2.2
OWN_MAY_RING = 0.7
OWN_SILENT = -0.8
FIRST_SILENT = 1.5
HIGHER_SILENT = 0.5
OWN_FAINT_DB = -48.0
OWN_FAINT = 0.5
OWN_MAY_FAINT = -0.3
SILENT_FROM_HZ = 1400.0
SILENT_UP_TO_HZ = 2800.0
"""What each of the five lowest partials tells after the key's own blow. Of those of leaking
strings some six in ten ring by the measure above, and of others three in a hundred; that one is
silent tells more of the first, less of the fourth and fifth, and nothing above 2.8 kHz, where
strings stop by themselves. Faint ones that ring are rarer among sound dampers than among leaking
ones, yet some string or other is always heard somewhere."""

LOUD = 1.0
LOUD_DB = -18.0
LOUD_PARTIALS = 2
EXCESS_DB = 3.0
MOST_EXCESS_DB = 9.0
LEAST_EXCESS_DB = -5.0
PER_EXCESS_DB = 0.1
GREAT_EXCESS_DB = 14.0
PER_GREAT_DB = 0.3
"""Strings that answer reach -20 dB at their two lowest partials, and lift the note's level 0.3 s
after the release by up to 14 dB over its neighbours; a string that was struck itself may be
louder."""

LOUDER_BY_FREE_DB = 6.0
"""Where a line of a free string stands this far above all else that rings after a key's blow,
the level tells of no damper: after a long hold it is as loud as what is left of the note."""

SHARED_RINGS = 0.3
SHARED_DB = -21.0
SHARED_DB_PER_PARTIAL = -3.0
SHARED_SPREAD_DB = 5.0
MOST_SHARED = 1.5
"""A line that a string known to ring explains as well tells only by its level: strings that
answer are mostly softer than this, those that were struck louder."""

OTHER_RINGS = 0.9
MOST_OF_ONE = 4.5
PER_PARTIAL = 0.12
OTHER_PARTIALS = 6
"""What each other key tells after which a line rings that no known string explains; all that one
partial may tell, and how much less the higher ones do."""

LONE_MODES_HZ = 350.0
LEAST_KEYS = 2
"""In a small live room lone modes of the room itself ring up to about here (2000 s^1.5/m^1.5 times
the root of T60 over volume: M. Schroeder, "The 'Schroeder frequency' revisited", J. Acoust. Soc.
Am. 99, 3240 (1996), from memory). What rings at one partial only, below this, after several keys,
is no sign of a string."""

LENT_PARTIAL_DB = 9.0
LENT_FROM_DB = -36.0
LENDER_PARTIALS = 2
"""A string is heard best after its own blow. What is this much louder after another key, at one of
that key's two lowest partials and from this level on, is that key's own string."""

LENT_LEAST_DB = 3.0
"""Nor does a higher string lend partials that ring by this much louder after the blow on the lower
key, as a median, than after its own."""

LOUD_SUM = 4.6
"""What the level after its own blows tells of a key that leaks for certain by it: so much has to
speak against a leak before it counts for less."""

LOWEST_HZ = 60.0
"""A string that leaks rings on after its own blow, whatever others tell, and at its lowest
partials first: one of the two lowest that microphones and boards let hear is among them."""

ALIKE = 2.5
HIGHER = (12, 19, 24)
"""A string whose first partial is silent, and one an octave, a twelfth or two octaves higher that
tells as much alone, within this, may be taken for each other: the one stays that leaves less for
the other to explain."""

SEEN_CENTS, SEEN_HZ = 2.5, 0.15
NEAR_CENTS = 8.0
NEARER_CENTS = 0.7
SAME_CENTS, SAME_HZ = 1.0, 0.12
PLACED_CENTS = 0.6
UNSTRUCK_CENTS = 3.5
EXPLAINED_CENTS, EXPLAINED_HZ = 1.2, 0.15
FREE_CENTS = 3.0
LENT_PARTIALS = 10
MOST_PARTIALS = 60
"""How near a line lies to a partial: after the key's own blow (the strings of a unison differ,
and within the wider distance several lines may have been read as one; what lies farther off than
the nearest by this much more may be another string's); after others', where the
place is known from the key's own, less well from its held sound, or only from its neighbours';
of a string known to leak, by its tenth partial or a higher one that rang after its own blow; of
a string without a damper."""


def _tolerance(hz: FloatArray, cents: float, wide_hz: float) -> FloatArray:
    return cents + 1731.23 * wide_hz / hz


class LeakEvidence:
    """What a run tells for and against a leak of each damper.

    Parameters
    ----------
    run : RingRun
        The run.
    strings : StringTable
        Its strings.
    """

    def __init__(self, run: RingRun, strings: StringTable) -> None:
        self._strings = strings
        self._base = int(strings.midi[0])
        self._last = run.last_damper
        self._heard = gather_lines(run, strings)
        self._excess_db = excess_levels_db(run)
        self._free = strings.near_free(
            self._heard.hz,
            last_damper_midi=run.last_damper,
            cents=FREE_CENTS,
            wide_hz=EXPLAINED_HZ,
        )
        self._own: dict[int, dict[int, int]] = {}
        self._placed: dict[int, FloatArray] = {}
        self._others: dict[int, list[tuple[int, int]]] = {}
        self._explains: dict[int, BoolArray] = {}
        for midi in self.keys:
            self._match(midi)
        self._lent = self._lent_partials()

    @property
    def keys(self) -> range:
        """Keys with dampers whose strings are placed."""
        return range(self._base, min(self._last, int(self._strings.midi[-1])) + 1)

    def find(self, loud: Collection[int]) -> frozenset[int]:
        """Find the keys whose dampers leak.

        Parameters
        ----------
        loud : collection of int
            Keys that seem to leak by their levels after their own blows.

        Returns
        -------
        frozenset of int
            Those of them and of the others that leak, as the whole run tells.
        """
        known = self._added({midi for midi in loud if midi in self._own})
        for midi in sorted(known - set(loud)):
            if midi in self._excess_db and not self._rings_low(midi, count=1):
                known = self._added(self._exchanged(midi, known))
        # What was taken early may be explained by what was taken later.
        while known:
            sums = {m: self.weigh(m, known)[0] + LOUD_SUM * (m in loud) for m in known}
            least = min(sums, key=lambda m: sums[m])
            if sums[least] > 0.0:
                break
            known.remove(least)
        return frozenset(known)

    def doubts(self, known: Collection[int]) -> dict[int, float]:
        """Sums of the other keys of which something rings after their own blows.

        Parameters
        ----------
        known : collection of int
            Keys that are known to leak.

        Returns
        -------
        dict of int to float
            Log likelihood ratios, by key.
        """
        return {
            midi: self.weigh(midi, known)[0]
            for midi in self.keys
            if midi not in known and self._ringing(midi)
        }

    def _added(self, known: set[int]) -> set[int]:
        """Add keys, the surest first, until nothing speaks for another."""
        known = set(known)
        while True:
            sums = {m: self.weigh(m, known)[0] for m in self.keys if m not in known}
            best = max(sums, key=lambda m: sums[m], default=None)
            if best is None or sums[best] <= 0.0:
                return known
            known.add(best)

    def _exchanged(self, midi: int, known: set[int]) -> set[int]:
        """Put a higher key in a key's place where it explains the lines of both."""
        rest = known - {midi}
        for other in {midi + step for step in HIGHER if midi + step in self.keys} - known:
            gain = self.weigh(other, rest)[0]
            loss = self.weigh(midi, rest | {other})[0]
            if (
                gain > 0.0
                and self.weigh(midi, rest)[0] + self.weigh(other, known)[0] < gain + loss
            ):
                return rest | {other}
        return known

    def weigh(self, midi: int, known: Collection[int]) -> tuple[float, float]:
        """Sum up what speaks for a leak of one damper.

        Parameters
        ----------
        midi : int
            A key of `keys`.
        known : collection of int
            Keys that are known to leak.

        Returns
        -------
        total, own : float
            Log likelihood ratio, and the share of the key's own blows in it.
        """
        explained = self._free.copy()
        for key in known:
            if key != midi and key in self._own:
                explained |= self._explained_by(key)
        others = len(set(known) - {midi})
        total = PRIOR + math.log1p(others / WORTH_KEYS)
        total += self._weigh_others(midi, known, explained)
        if midi not in self._excess_db:
            return total, 0.0
        own = self._weigh_own(midi, explained)
        total += own
        if own < 0.0 or not self._rings_low(midi):
            return min(total, own, 0.0), own
        return total, own

    def _weigh_own(self, midi: int, explained: BoolArray) -> float:
        """What the key's own blows tell."""
        heard, strings, row = self._heard, self._strings, midi - self._base
        own = 0.0
        is_lent = self._is_lent(midi)
        for n in range(1, OWN_PARTIALS + 1):
            index = self._own[midi].get(n)
            if index is None:
                if strings.is_measured[row, n] and not self._is_near(midi, n):
                    own += OWN_SILENT * _share_silent(n, float(strings.partial_hz[row, n]))
                continue
            level_db = float(heard.level_db[index])
            if level_db < OWN_FAINT_DB:
                own += OWN_FAINT if heard.rings[index] else OWN_MAY_FAINT
                continue
            if explained[index] or is_lent or n in self._lent[midi]:
                usual_db = SHARED_DB + SHARED_DB_PER_PARTIAL * (n - 1)
                by_level = (level_db - usual_db) / SHARED_SPREAD_DB
                shared = SHARED_RINGS + float(np.clip(by_level, -MOST_SHARED, MOST_SHARED))
                # A faint one says no more against a leak than silence would.
                silent = OWN_SILENT * _share_silent(n, float(strings.partial_hz[row, n]))
                own += max(shared, silent)
            else:
                own += OWN_RINGS if heard.rings[index] else OWN_MAY_RING
            if heard.rings[index] and level_db > LOUD_DB and n <= LOUD_PARTIALS:
                own += LOUD
        excess_db = self._excess_db[midi]
        if self._is_loud_by_free(midi):
            excess_db = min(excess_db, EXCESS_DB)
        own += PER_EXCESS_DB * float(
            np.clip(excess_db - EXCESS_DB, LEAST_EXCESS_DB, MOST_EXCESS_DB)
        )
        return own + PER_GREAT_DB * max(0.0, excess_db - GREAT_EXCESS_DB)

    def _is_loud_by_free(self, midi: int) -> bool:
        """Tell whether a free string is by far the loudest after a key's own blows."""
        level_db, own = self._heard.level_db, np.array(list(self._own[midi].values()), dtype=int)
        is_free = self._free[own]
        ringing = own[is_free & self._heard.rings[own]]
        if ringing.size == 0:
            return False
        others_db = level_db[own[~is_free]].max(initial=-np.inf)
        return bool(level_db[ringing].max() > others_db + LOUDER_BY_FREE_DB)

    def _weigh_others(self, midi: int, known: Collection[int], explained: BoolArray) -> float:
        """What the blows on other keys tell."""
        heard = self._heard
        keys: dict[int, set[int]] = {}
        for index, n in self._others[midi]:
            key = int(heard.key[index])
            if explained[index] or (key in known and heard.at_own[index]):
                continue
            if n in self._lent[midi]:
                continue
            keys.setdefault(n, set()).add(key)
        places_hz = self._placed[midi]
        sure = {n for n, who in keys.items() if len(who) >= LEAST_KEYS} | {
            n for n, index in self._own[midi].items() if n <= OWN_PARTIALS and heard.rings[index]
        }
        if len(sure) == 1 and places_hz[min(sure)] < LONE_MODES_HZ:
            return 0.0
        return sum(
            min(OTHER_RINGS * len(who), MOST_OF_ONE) - PER_PARTIAL * (n - 1)
            for n, who in keys.items()
        )

    def _ringing(self, midi: int) -> list[int]:
        """Lowest partials of a key that ring, or may ring, after its own blow."""
        return [
            n
            for n, index in self._own[midi].items()
            if n <= OWN_PARTIALS and self._heard.level_db[index] >= OWN_FAINT_DB
        ]

    def _rings_low(self, midi: int, *, count: int = 2) -> bool:
        """Tell whether one of the lowest partials that can be heard rings."""
        places = self._strings.partial_hz[midi - self._base]
        first = int(np.flatnonzero(places > LOWEST_HZ)[0])
        return any(
            n in self._own[midi] or self._is_near(midi, n) for n in range(first, first + count)
        )

    def _is_lent(self, midi: int) -> bool:
        """Tell whether only every second or third partial rings, as a higher string lends them.

        Not where these ring louder than after that string's own blow, after which it would be
        heard best.
        """
        ringing = self._ringing(midi)
        every = math.gcd(*ringing)
        if every <= 1:
            return False
        lender = midi + round(12.0 * math.log2(every))
        if lender not in self._excess_db or lender not in self._own:
            return True
        level_db = self._heard.level_db
        louder_db = [
            level_db[self._own[midi][n]]
            - (level_db[at] if (at := self._own[lender].get(n // every)) is not None else -np.inf)
            for n in ringing
        ]
        return float(np.median(louder_db)) < LENT_LEAST_DB

    def _lent_partials(self) -> dict[int, frozenset[int]]:
        """Numbers of each key's partials that are louder after another key, as that one's own."""
        heard = self._heard
        lenders = np.array(
            [
                (midi, index)
                for midi in self.keys
                for n, index in self._own[midi].items()
                if n <= LENDER_PARTIALS
                and heard.rings[index]
                and heard.level_db[index] > LENT_FROM_DB
            ],
            dtype=np.int64,
        ).reshape(-1, 2)
        key, index = lenders.T
        lent = {}
        for midi in self.keys:
            found = set()
            for n, own in self._own[midi].items():
                if n > OTHER_PARTIALS:
                    continue
                hz = float(self._placed[midi][n])
                off = np.abs(1200.0 * np.log2(heard.hz[index] / hz))
                louder = heard.level_db[index] > heard.level_db[own] + LENT_PARTIAL_DB
                near = off < _tolerance(heard.hz[index], SAME_CENTS, SAME_HZ)
                if np.any(louder & near & (key != midi)):
                    found.add(n)
            lent[midi] = frozenset(found)
        return lent

    def _match(self, midi: int) -> None:
        """Note which lines lie at the partials of a key, after its own blows and others'."""
        heard, row = self._heard, midi - self._base
        places = self._strings.partial_hz[row].copy()
        own = np.flatnonzero((heard.key == midi) & heard.may_ring)
        seen: dict[int, int] = {}
        for n in range(1, MOST_PARTIALS + 1 if own.size else 1):
            off = np.abs(1200.0 * np.log2(heard.hz[own] / places[n]))
            near = own[off < SEEN_CENTS + 1731.23 * SEEN_HZ / places[n]]
            if n > LENT_PARTIALS:
                near = near[heard.rings[near]]
            if near.size:
                off_near = np.abs(1200.0 * np.log2(heard.hz[near] / places[n]))
                near = near[off_near <= off_near.min() + NEARER_CENTS]
                seen[n] = int(near[np.lexsort((heard.level_db[near], heard.rings[near]))[-1]])
        self._own[midi] = seen
        for n, index in seen.items():
            if heard.rings[index]:
                places[n] = heard.hz[index]
        self._placed[midi] = places
        low = places[1 : OTHER_PARTIALS + 1]
        rows = np.flatnonzero(heard.rings & (heard.key != midi) & (heard.before != midi))
        off = np.abs(1200.0 * np.log2(heard.hz[rows, None] / low[None, :]))
        n = np.argmin(off, axis=1)
        is_placed = np.array([i + 1 in seen for i in range(OTHER_PARTIALS)])
        widest = _tolerance(heard.hz[rows], SAME_CENTS, SAME_HZ)
        loose = PLACED_CENTS if midi in self._excess_db else UNSTRUCK_CENTS
        widest = widest + np.where(is_placed[n], 0.0, loose)
        fits = off[np.arange(rows.size), n] <= widest
        self._others[midi] = [
            (int(i), int(k) + 1) for i, k in zip(rows[fits], n[fits], strict=True)
        ]

    def _explained_by(self, midi: int) -> BoolArray:
        """Mark the lines that a leaking string explains."""
        if midi not in self._explains:
            places = self._placed[midi]
            counted = [
                n
                for n in range(1, MOST_PARTIALS + 1)
                if n <= LENT_PARTIALS or n in self._own[midi]
            ]
            off = np.abs(1200.0 * np.log2(self._heard.hz[:, None] / places[counted][None, :]))
            cents = EXPLAINED_CENTS if midi in self._excess_db else UNSTRUCK_CENTS
            widest = _tolerance(self._heard.hz, cents, EXPLAINED_HZ)
            self._explains[midi] = np.asarray((off < widest[:, None]).any(axis=1))
        return self._explains[midi]

    def _is_near(self, midi: int, n: int) -> bool:
        """Tell whether something that outlasts the room lies beside a key's own partial."""
        heard = self._heard
        place = self._strings.partial_hz[midi - self._base, n]
        off = np.abs(1200.0 * np.log2(heard.hz / place))
        near = off < NEAR_CENTS + 1731.23 * SEEN_HZ / place
        return bool((near & (heard.key == midi) & (heard.ratio > MAY_RING_RATIO)).any())


def _share_silent(n: int, hz: float) -> float:
    """How much the silence of a partial tells."""
    octaves = float(np.log2(SILENT_UP_TO_HZ / SILENT_FROM_HZ))
    by_pitch = float(np.clip(np.log2(SILENT_UP_TO_HZ / hz) / octaves, 0.0, 1.0))
    return by_pitch * (FIRST_SILENT if n == 1 else 1.0 if n <= 3 else HIGHER_SILENT)
