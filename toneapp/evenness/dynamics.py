"""With which intended dynamics was each blow of a run played?

A run may hold one blow per note, several at one dynamic, or rounds (soft, medium, firm), one
round after the other or note by note. What the hand meant is told from the levels themselves and
from the order of the blows on each note, without being told by the user.

Conventions: `note` is the index of a strike's note into the run's notes (ascending), levels are in
dB. A *layer* is one intended dynamic; its level against the middle of all layers may drift evenly
over the keyboard.

Functions: `find_layers`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from toneapp._typing import BoolArray, FloatArray, IntArray

__all__ = ["Layers", "find_layers"]

MAX_LAYERS = 5
"""Most dynamics looked for without the help of order: a hand keeps no more apart (common
practice, no source)."""

MAX_BLOWS = 16
"""Most blows per note for which each blow may be a dynamic of its own."""

IN_ORDER = 0.9
"""Prior share of notes on which the blows come in the usual order of the run."""

_ROUNDS = 12  # of reassigning; it settles in three to five
_PULL = 2.0
"""Blows' worth of belief that a note's level lies near its neighbours', where blows are missing
or too many. With the usual number of blows a note may lie where it will."""

_LEAST_SCATTER_DB = 0.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layers:
    """Intended dynamics of a run's strikes."""

    count: int
    layer: IntArray  # of each strike, 0 for the softest
    offset_db: FloatArray  # of each strike's layer at its note, against the middle of the layers
    within_df: float  # degrees of freedom of the blows within notes, layers taken out


def find_layers(note: IntArray, x: FloatArray, level_db: FloatArray, rank: IntArray) -> Layers:
    """Find the intended dynamics behind the levels of a run.

    Parameters
    ----------
    note : ndarray of int, shape (m,)
        Index of each strike's note into `x`.
    x : ndarray, shape (n,)
        Note numbers, increasing.
    level_db : ndarray, shape (m,)
        Level of each strike in dB.
    rank : ndarray of int, shape (m,)
        Place of each strike among the strikes of its note in time, from 0.

    Returns
    -------
    Layers
        One layer when the levels give no ground for more.

    Notes
    -----
    Three kinds of guess are tried: blows come in the same order on most notes; every note has one
    blow of each layer, in any order; any blow may belong to any layer. Strikes are assigned and
    layer levels fitted in turn (within notes, so that the notes' own levels drop out). The choice
    among these is by the likelihood of levels and labels together with a penalty for the
    parameters [1]_: layers closer than about three times the scatter of the hand do not pay for
    their labels, unless the order of the blows gives them away.

    References
    ----------
    .. [1] C. Biernacki, G. Celeux, G. Govaert, "Assessing a mixture model for clustering with
       the integrated completed likelihood", IEEE Trans. Pattern Anal. Mach. Intell. 22, 719
       (2000).
    """
    size = np.bincount(note, minlength=x.size)
    strikes, repeats = note.size, int(np.sum(size[size > 1] - 1))
    single = Layers(
        count=1,
        layer=np.zeros(strikes, dtype=np.int64),
        offset_db=np.zeros(strikes),
        within_df=float(repeats),
    )
    if repeats < 6:
        return single
    problem = _Problem(note, x, level_db, rank, size)
    best = problem.settle(np.zeros(strikes, dtype=np.int64), 1)
    most = min(MAX_LAYERS, int(size.max()))
    usual = problem.usual
    trials: list[tuple[IntArray, int, FloatArray | None, bool]] = []
    if 2 <= usual <= MAX_BLOWS:
        by_order = np.minimum(rank, usual - 1)
        trials.append((by_order, usual, problem.order_cost(by_order, usual), False))
        # One blow of each layer on a note: usual! arrangements, all as likely.
        each = np.full((strikes, usual), math.lgamma(usual + 1) / usual)
        trials.append((np.minimum(problem.rank_by_level(), usual - 1), usual, each, True))
    trials += [(problem.by_height(count), count, None, False) for count in range(2, most + 1)]
    for start, count, cost, one_each in trials:
        held = (size == count)[note] if one_each else None
        trial = problem.settle(start, count, cost, held)
        if trial.score > best.score:
            best = trial
    if best.count == 1:
        return single
    return best.as_layers(float(repeats))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Assignment:
    """One settled trial."""

    count: int
    layer: IntArray
    offset_db: FloatArray
    order: FloatArray  # mean offset of each layer
    score: float

    def as_layers(self, repeats: float) -> Layers:
        """Number the layers from soft to firm."""
        place = np.argsort(np.argsort(self.order))
        return Layers(
            count=self.count,
            layer=place[self.layer].astype(np.int64),
            offset_db=self.offset_db,
            within_df=max(repeats - 2.0 * (self.count - 1), 1.0),
        )


class _Problem:
    """The levels of one run, seen note by note."""

    def __init__(
        self,
        note: IntArray,
        x: FloatArray,
        level_db: FloatArray,
        rank: IntArray,
        size: IntArray,
    ) -> None:
        self.note, self.level, self.rank, self.size = note, level_db, rank, size
        self.usual = int(np.argmax(np.bincount(size[size > 1])))
        span = max(float(x[-1] - x[0]), 1.0)
        self.place = (2.0 * (x - x[0]) / span - 1.0)[note]  # -1 to 1 over the run
        reach = 0.25 * span
        nearness = np.exp(-0.5 * ((x[:, None] - x[None, :]) / reach) ** 2)
        self.smoother = nearness / nearness.sum(axis=1, keepdims=True)

    def by_note(self, values: FloatArray) -> FloatArray:
        """Mean of each note."""
        total = np.bincount(self.note, weights=values, minlength=self.size.size)
        return np.asarray(total / np.maximum(self.size, 1))

    def pulled(self, values: FloatArray) -> FloatArray:
        """Mean of each note, pulled towards its neighbours' if unusual, one per strike."""
        own = self.by_note(values)
        near = self.smoother @ own
        share = np.where(self.size == self.usual, 1.0, self.size / (self.size + _PULL))
        return np.asarray((near + share * (own - near))[self.note])

    def by_height(self, count: int) -> IntArray:
        """Start: equal shares by height above the smooth course of the run."""
        height = self.level - (self.smoother @ self.by_note(self.level))[self.note]
        edges = np.quantile(height, np.arange(1, count) / count)
        return np.asarray(np.searchsorted(edges, height), dtype=np.int64)

    def rank_by_level(self) -> IntArray:
        """Place of each strike among those of its note, from the softest."""
        order = np.lexsort((self.level, self.note))
        first = np.concatenate([[0], np.cumsum(self.size)[:-1]])
        place = np.empty(self.note.size, dtype=np.int64)
        place[order] = np.arange(self.note.size) - first[self.note[order]]
        return place

    def order_cost(self, by_order: IntArray, count: int) -> FloatArray:
        """Cost of each label when blows usually come in order, shape (m, count)."""
        cost = np.full((by_order.size, count), -math.log((1.0 - IN_ORDER) / (count - 1)))
        cost[np.arange(by_order.size), by_order] = -math.log(IN_ORDER)
        return cost

    def offsets(self, layer: IntArray, count: int) -> tuple[FloatArray, float]:
        """Level of each layer at each strike's note, shape (m, count), and the scatter."""
        if count == 1:
            return np.zeros((self.level.size, 1)), self.scatter(self.level, 1)
        indicator = np.eye(count)[layer]
        columns = np.hstack([indicator, indicator * self.place[:, None]])
        centered = columns - np.stack([self.by_note(c)[self.note] for c in columns.T], axis=1)
        target = self.level - self.by_note(self.level)[self.note]
        weight = np.ones(target.size)
        for _ in range(2):
            # One Huber step: a single wild blow must not shift its layer.
            root = np.sqrt(weight)[:, None]
            gram = (centered * root).T @ (centered * root)
            gram[np.diag_indices_from(gram)] += 1e-6 * target.size
            found = np.linalg.solve(gram, (centered * weight[:, None]).T @ target)
            residual = target - centered @ found
            scale = max(1.4826 * float(np.median(np.abs(residual))), _LEAST_SCATTER_DB)
            weight = np.minimum(1.0, 2.5 * scale / np.maximum(np.abs(residual), 1e-9))
        curve = found[None, :count] + self.place[:, None] * found[None, count:]
        curve = curve - curve.mean(axis=1, keepdims=True)
        own = curve[np.arange(layer.size), layer]
        return curve, self.scatter(self.level - own, count)

    def scatter(self, adjusted: FloatArray, count: int) -> float:
        """Standard deviation of the blows within notes."""
        residual = adjusted - self.by_note(adjusted)[self.note]
        df = max(float(np.sum(np.maximum(self.size - 1, 0))) - 2.0 * (count - 1), 1.0)
        return max(math.sqrt(float(np.sum(residual**2)) / df), _LEAST_SCATTER_DB)

    def settle(
        self,
        layer: IntArray,
        count: int,
        cost: FloatArray | None = None,
        held: BoolArray | None = None,
    ) -> _Assignment:
        """Assign and fit in turn until nothing moves."""
        label_cost = np.full((layer.size, count), math.log(count)) if cost is None else cost
        rows = np.arange(layer.size)
        for _ in range(_ROUNDS):
            curve, scatter = self.offsets(layer, count)
            own = curve[rows, layer]
            around = self.level - self.pulled(self.level - own)
            miss = 0.5 * ((around[:, None] - curve) / scatter) ** 2 + label_cost
            update = np.argmin(miss, axis=1).astype(np.int64)
            if held is not None:
                update = np.where(held, layer, update)
            if np.array_equal(update, layer):
                break
            layer = update
        curve, scatter = self.offsets(layer, count)
        own = curve[rows, layer]
        repeats = float(np.sum(np.maximum(self.size - 1, 0)))
        shared = self.size[self.note] > 1
        score = (
            -repeats * math.log(scatter)
            - float(np.sum(label_cost[rows, layer][shared]))
            - (count - 1) * math.log(max(repeats, 2.0))
        )
        order = curve.mean(axis=0)
        return _Assignment(count=count, layer=layer, offset_db=own, order=order, score=score)
