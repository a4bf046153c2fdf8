"""What is the instrument's own smooth trend over the keyboard?

Robust local regression over note number. Conventions: `x` is a note number (any increasing axis
will do), `y` the measured value in its own unit, `breaks` are the first notes of the sections
after the lowest, where the trend may step.

Functions: `lowess` is the plain method of Cleveland; `fit_trend` adds what a judgement needs: the
trend at each note from the *other* notes, its standard error, steps at the breaks only where the
notes support them, and a span chosen by cross-validation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray

__all__ = ["MIN_TREND_NOTES", "Step", "Trend", "fit_trend", "lowess"]

MIN_TREND_NOTES = 7
"""With fewer notes no trend is fitted: a line through six notes follows any one of them."""

MIN_NEIGHBOURS = 7
"""Notes in the narrowest neighbourhood, so that a fault weighs little against its neighbours."""

MIN_SECTION_NOTES = 4
"""Notes needed on either side of a break before a step there is tried."""

STEP_SUPPORT = 2.5
"""A step is kept when it is this many of its standard errors large (p of about 0.01)."""

SPANS = (0.6, 0.42, 0.3, 0.21, 0.14)
"""Spans tried by cross-validation: 53, 37, 26, 18 and 12 of 88 notes."""

SPAN_SUPPORT = 2.0
"""A narrower span is taken when its gain in cross-validation is this many of its standard errors
large: a few faults near one another must not pass for a bend of the trend."""

FEW_LEFT = 0.4
"""Faults stand together where the robustness weights of the nearest notes are less on average."""

ONE_SIDED = 0.7
"""Strays are a bend of the trend where their residuals add up to this share of their sizes."""

ROBUST_PASSES = 3
"""Cleveland (1979) found two robustifying passes enough; one more costs nothing at 88 notes."""

_BISQUARE_REACH = 6.0  # times the median absolute residual, Cleveland (1979) section 2
_TINY = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A step of the trend that the notes support."""

    first_note: float  # first note after the step
    size: float  # in the unit of y, upward positive
    se: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trend:
    """A robust trend over the keyboard; arrays have one value per note, in the unit of y."""

    span: float  # share of the notes in a neighbourhood
    fitted: FloatArray  # the trend itself
    left_out: FloatArray  # the trend at each note as the other notes have it
    left_out_se: FloatArray  # standard error of `left_out`
    robust_weight: FloatArray  # 1 for a note that fits, 0 for one that is left out of account
    steps: tuple[Step, ...] = ()


def lowess(
    x: FloatArray,
    y: FloatArray,
    *,
    span: float,
    iterations: int = ROBUST_PASSES,
    breaks: Sequence[float] = (),
    weights: FloatArray | None = None,
) -> FloatArray:
    """Robust locally weighted regression (LOWESS).

    Parameters
    ----------
    x : ndarray, shape (n,)
        Note numbers, strictly increasing.
    y : ndarray, shape (n,)
        Values, in any unit.
    span : float
        Share of the notes in each neighbourhood, in (0, 1].
    iterations : int
        Robustifying passes after the first fit, >= 0.
    breaks : sequence of float
        First notes of new sections; a step there is kept only where the notes support it.
    weights : ndarray, shape (n,), optional
        Prior weights of the notes, > 0; equal without them.

    Returns
    -------
    ndarray, shape (n,)
        The smooth trend at `x`, in the unit of `y`.

    Raises
    ------
    ValueError
        If shapes differ, values are not finite, `x` does not increase, or `span` or `iterations`
        lie outside their range.

    Notes
    -----
    Tricube weights over the ``round(span * n)`` nearest notes (eq. 1 of [1]_), a local line, and
    bisquare robustness weights at six times the median absolute residual. When more than half of
    the residuals vanish the median of the others is the scale, so that a single outlier on an
    exact line is still seen. Steps are regressors beside the smooth part, estimated from partial
    residuals [2]_.

    References
    ----------
    .. [1] W. S. Cleveland, "Robust locally weighted regression and smoothing scatterplots",
       J. Am. Stat. Assoc. 74, 829 (1979).
    .. [2] P. Speckman, "Kernel smoothing in partial linear models", J. R. Stat. Soc. B 50,
       413 (1988).

    Examples
    --------
    >>> x = np.arange(21.0, 109.0)
    >>> bool(np.allclose(lowess(x, 0.5 * x, span=0.3), 0.5 * x))
    True
    """
    prior = _checked(x, y, weights)
    if not 0 < span <= 1:
        raise ValueError(f"a span is a share of the notes in (0, 1], got {span}")
    if iterations < 0:
        raise ValueError(f"the number of robustifying passes is >= 0, got {iterations}")
    if x.size == 0:
        return np.zeros(0)
    neighbours = min(max(round(span * x.size), 2), x.size)
    columns = _step_columns(x, breaks)
    fit = _robust_fit(x, y, neighbours, iterations, prior, columns)
    kept = _supported(x, y, fit, neighbours, iterations, prior, columns)
    return kept.fitted


def fit_trend(
    x: FloatArray,
    y: FloatArray,
    *,
    variance: FloatArray | None = None,
    breaks: Sequence[float] = (),
    spans: Sequence[float] = SPANS,
    iterations: int = ROBUST_PASSES,
) -> Trend | None:
    """Trend of the keyboard that no note pulls towards itself.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Note numbers, strictly increasing; gaps are allowed.
    y : ndarray, shape (n,)
        Values, in any unit.
    variance : ndarray, shape (n,), optional
        Variance of each note's own value (touch scatter and measuring error), in the squared unit
        of `y`. Notes known less well weigh less. Without it all weigh the same.
    breaks : sequence of float
        First notes of new sections.
    spans : sequence of float
        Spans to choose from by cross-validation, widest first.
    iterations : int
        Robustifying passes.

    Returns
    -------
    Trend or None
        None with fewer than `MIN_TREND_NOTES` notes.

    Raises
    ------
    ValueError
        As in `lowess`.

    Notes
    -----
    For a local line with given weights, leaving note i out changes the fit at i to
    ``y_i - (y_i - fit_i) / (1 - h_ii)`` with h the smoother matrix; no refit is needed. The span
    is the one whose left-out residuals have the smallest bisquare loss. The standard error takes
    the scatter of the notes about the trend (robust, from the left-out residuals) as the least
    variance of a note, and adds the bias that the difference to the next span lays open.
    """
    prior_variance = np.zeros(x.size) if variance is None else variance
    if np.any(prior_variance < 0):
        raise ValueError("variances are >= 0")
    _checked(x, y, None)
    if x.size < MIN_TREND_NOTES:
        return None
    columns = _step_columns(x, breaks)
    weights = np.ones(x.size)
    fits = _fit_spans(x, y, weights, columns, spans, iterations)
    best = _choose(fits)
    scatter = _scale(fits[best].left_out_residual)
    if variance is not None:
        # Second round: what a note's own error adds to the common scatter makes it weigh less.
        ordinary = max(scatter**2 - float(np.median(prior_variance)), 0.1 * scatter**2, _TINY)
        weights = ordinary / (ordinary + prior_variance)
        fits = _fit_spans(x, y, weights, columns, spans, iterations)
        best = _choose(fits)
        scatter = _scale(fits[best].left_out_residual)
    fit = fits[best]
    note_variance = np.maximum(scatter**2, prior_variance)
    chance = _without_own(fit.smoother) ** 2 @ note_variance
    bend = _bias_variance(x, y, fits, best, weights, note_variance)
    return Trend(
        span=fit.neighbours / x.size,
        fitted=_read_only(fit.fitted),
        left_out=_read_only(y - fit.left_out_residual),
        left_out_se=_read_only(np.sqrt(chance + bend)),
        robust_weight=_read_only(fit.robust),
        steps=fit.steps,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fit:
    """One robust fit: fitted = smoother @ y."""

    neighbours: int
    fitted: FloatArray
    smoother: FloatArray
    robust: FloatArray
    steps: tuple[Step, ...]
    left_out_residual: FloatArray


def _checked(x: FloatArray, y: FloatArray, weights: FloatArray | None) -> FloatArray:
    """Validate the input and return the prior weights."""
    if x.ndim != 1 or x.shape != y.shape:
        raise ValueError(f"x and y are vectors of one length, got {x.shape} and {y.shape}")
    if not (np.all(np.isfinite(x)) and np.all(np.isfinite(y))):
        raise ValueError("x and y must be finite: leave out notes without a value")
    if np.any(np.diff(x) <= 0):
        raise ValueError("x must increase strictly: pool the strikes of a note first")
    if weights is None:
        return np.ones(x.size)
    if weights.shape != x.shape or not np.all(np.isfinite(weights)) or np.any(weights <= 0):
        raise ValueError("weights are positive, one per note")
    return weights


def _step_columns(x: FloatArray, breaks: Sequence[float]) -> FloatArray:
    """Step regressors (0 before, 1 from the break on) where both sides have enough notes."""
    columns = []
    last = 0
    for first_note in sorted(set(breaks)):
        at = int(np.searchsorted(x, first_note))
        if at - last >= MIN_SECTION_NOTES and x.size - at >= MIN_SECTION_NOTES:
            columns.append((x >= first_note).astype(np.float64))
            last = at
    return np.array(columns).reshape(len(columns), x.size).T


def _tricube_weights(x: FloatArray, neighbours: int) -> FloatArray:
    """Neighbourhood weights, one row per note (Cleveland 1979, eq. 1)."""
    distance = np.abs(x[:, None] - x[None, :])
    reach = np.partition(distance, neighbours - 1, axis=1)[:, neighbours - 1]
    ratio = np.minimum(distance / np.maximum(reach, _TINY)[:, None], 1.0)
    return np.asarray((1.0 - ratio**3) ** 3)


def _smoother(x: FloatArray, tricube: FloatArray, weights: FloatArray) -> FloatArray:
    """Matrix of the local lines: row i gives the fit at x_i from all y."""
    w = tricube * weights[None, :]
    # Where robustness has emptied a neighbourhood, its notes speak unweighted.
    empty = w.sum(axis=1) <= _TINY * tricube.sum(axis=1)
    w = np.where(empty[:, None], tricube, w)
    dx = x[None, :] - x[:, None]
    s0 = w.sum(axis=1)
    s1 = (w * dx).sum(axis=1)
    s2 = (w * dx**2).sum(axis=1)
    determinant = s0 * s2 - s1**2
    # One effective note gives no line, only its own height.
    line = determinant > 1e-9 * s0 * np.maximum(s2, _TINY)
    safe = np.where(line, determinant, 1.0)[:, None]
    local_line = w * (s2[:, None] - dx * s1[:, None]) / safe
    return np.asarray(np.where(line[:, None], local_line, w / s0[:, None]))


def _bisquare(residual: FloatArray, size: float) -> FloatArray | None:
    """Robustness weights; None when all residuals vanish."""
    magnitude = np.abs(residual)
    scale = float(np.median(magnitude))
    floor = 1e-9 * size
    if scale <= floor:
        remaining = magnitude[magnitude > floor]
        if remaining.size == 0:
            return None
        scale = float(np.median(remaining))
    ratio = np.minimum(magnitude / (_BISQUARE_REACH * scale), 1.0)
    return np.asarray((1.0 - ratio**2) ** 2)


def _with_steps(
    smoother: FloatArray, columns: FloatArray, weights: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Hat matrix of smooth part plus steps, and the rows that give the step sizes (Speckman)."""
    if columns.shape[1] == 0:
        return smoother, np.zeros((0, smoother.shape[0]))
    rest = np.eye(smoother.shape[0]) - smoother
    partial = rest @ columns
    weighted = partial.T * weights[None, :]
    step_rows = np.linalg.pinv(weighted @ partial) @ weighted @ rest
    return smoother + partial @ step_rows, step_rows


def _robust_fit(
    x: FloatArray,
    y: FloatArray,
    neighbours: int,
    iterations: int,
    prior: FloatArray,
    columns: FloatArray,
) -> _Fit:
    """Fit, then refit `iterations` times with robustness weights."""
    tricube = _tricube_weights(x, neighbours)
    size = max(float(np.max(np.abs(y))), 1e-3 * _TINY)
    robust = np.ones(x.size)
    hat, step_rows = _with_steps(_smoother(x, tricube, prior), columns, prior)
    fitted = hat @ y
    for _ in range(iterations):
        update = _bisquare(y - fitted, size)
        if update is None:
            break
        robust = update
        weights = prior * robust
        hat, step_rows = _with_steps(_smoother(x, tricube, weights), columns, weights)
        fitted = hat @ y
    leverage = np.clip(np.diag(hat), 0.0, 0.99)
    left_out_residual = (y - fitted) / (1.0 - leverage)
    scatter = _scale(left_out_residual)
    sizes = step_rows @ y
    errors = scatter * np.sqrt((step_rows**2).sum(axis=1))
    steps = tuple(
        Step(first_note=float(x[int(np.argmax(column))]), size=float(size), se=float(se))
        for column, size, se in zip(columns.T, sizes, errors, strict=True)
    )
    return _Fit(
        neighbours=neighbours,
        fitted=fitted,
        smoother=hat,
        robust=robust,
        steps=steps,
        left_out_residual=left_out_residual,
    )


def _supported(
    x: FloatArray,
    y: FloatArray,
    fit: _Fit,
    neighbours: int,
    iterations: int,
    prior: FloatArray,
    columns: FloatArray,
) -> _Fit:
    """Drop the weakest step and refit until every step left is supported."""
    while fit.steps:
        support = [abs(step.size) / max(step.se, _TINY) for step in fit.steps]
        weakest = int(np.argmin(support))
        if support[weakest] >= STEP_SUPPORT:
            break
        columns = np.delete(columns, weakest, axis=1)
        fit = _robust_fit(x, y, neighbours, iterations, prior, columns)
    return fit


def _fit_spans(
    x: FloatArray,
    y: FloatArray,
    weights: FloatArray,
    columns: FloatArray,
    spans: Sequence[float],
    iterations: int,
) -> list[_Fit]:
    """One fit per span, widest first, without repeats."""
    fits: dict[int, _Fit] = {}
    for span in sorted(spans, reverse=True):
        neighbours = min(max(round(span * x.size), MIN_NEIGHBOURS), x.size)
        if neighbours not in fits:
            fit = _robust_fit(x, y, neighbours, iterations, weights, columns)
            fits[neighbours] = _supported(x, y, fit, neighbours, iterations, weights, columns)
    return list(fits.values())


def _choose(fits: Sequence[_Fit]) -> int:
    """Index of the widest span that cross-validation does not clearly refuse."""
    # One common scale, or each span would judge its outliers by its own measure.
    common = min(_scale(fit.left_out_residual) for fit in fits)
    losses = [_losses(fit, common) for fit in fits]
    best = 0
    for i in range(1, len(fits)):
        gain = losses[best] - losses[i]
        error = float(np.std(gain, ddof=1)) / np.sqrt(gain.size)
        if float(np.mean(gain)) > SPAN_SUPPORT * error:
            best = i
    return best


def _without_own(smoother: FloatArray) -> FloatArray:
    """Matrix that gives the trend at each note from the other notes."""
    leverage = np.clip(np.diag(smoother), 0.0, 0.99)
    others = smoother / (1.0 - leverage)[:, None]
    np.fill_diagonal(others, 0.0)
    return np.asarray(others)


def _bias_variance(
    x: FloatArray,
    y: FloatArray,
    fits: Sequence[_Fit],
    best: int,
    prior: FloatArray,
    note_variance: FloatArray,
) -> FloatArray:
    """Squared bias of a line through a bent course, from what a neighbouring span says.

    The bias goes with the square of the span, so the difference of two fits shows a known
    multiple of it, once the chance part of that difference is taken out. Where faults to both
    sides stand together, the spans differ by which of the faults they follow, or by a step that
    the faults feign: there both leave the same notes out of account and take the same steps.
    """
    if len(fits) < 2:
        return np.zeros(x.size)
    chosen, other = fits[best], fits[best + 1 if best + 1 < len(fits) else best - 1]
    near = _tricube_weights(x, min(MIN_NEIGHBOURS, x.size))
    near /= near.sum(axis=1)[:, None]
    columns = _step_columns(x, [step.first_note for step in chosen.steps])
    weights = prior * chosen.robust
    tricube = _tricube_weights(x, other.neighbours)
    alike, _ = _with_steps(_smoother(x, tricube, weights), columns, weights)

    def excess_over(smoother: FloatArray) -> FloatArray:
        apart = _without_own(chosen.smoother) - _without_own(smoother)
        return np.asarray(near @ ((apart @ y) ** 2 - apart**2 @ note_variance))

    strays = (1.0 - chosen.robust) * chosen.left_out_residual
    is_mixed = np.abs(near @ strays) < ONE_SIDED * (near @ np.abs(strays))
    stand_together = is_mixed & (near @ chosen.robust < FEW_LEFT)
    excess = np.where(stand_together, excess_over(alike), excess_over(other.smoother))
    multiple = 1.0 - (other.neighbours / chosen.neighbours) ** 2
    return np.asarray(np.maximum(excess, 0.0) / multiple**2)


def _losses(fit: _Fit, scale: float) -> FloatArray:
    """Bisquare loss of each left-out residual: a fault counts, but only so much."""
    if scale <= _TINY:
        return np.abs(fit.left_out_residual)
    ratio = np.minimum(np.abs(fit.left_out_residual) / (4.685 * scale), 1.0)
    return np.asarray(1.0 - (1.0 - ratio**2) ** 3)


def _scale(residual: FloatArray) -> float:
    """Robust standard deviation of residuals that should centre on zero."""
    return 1.482602 * float(np.median(np.abs(residual)))


def _read_only(values: FloatArray) -> FloatArray:
    """Return a copy that cannot be written to."""
    copy = np.array(values, dtype=np.float64)
    copy.setflags(write=False)
    return copy
