"""What are the pitch and the stiffness of a string, by all its partials together?

Functions: `fit_series`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray
from toneapp.measure.partial_frequencies import PartialFrequencies
from toneapp.measure.series_line import fit_line, spread_of_line
from toneapp.measure.stiff_string import inharmonicity_log_sd, pull_cents, typical_inharmonicity
from toneapp.pitch import ratio_to_cents

__all__ = ["SeriesFit", "fit_series"]

USUAL_SCATTER_CENTS = 0.4
"""Usual scatter of a plain string's partials about the law: three detuned strings in a unison."""

FEW_PARTIALS_SCATTER_CENTS = 0.5
"""Scatter assumed about the law when three partials or fewer leave none to be seen."""

SCATTER_FLOOR_CENTS = 0.03
"""No partial is trusted better than this: unison strings, coupling and the two polarisations of
a string move partials by more than their noise does."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeriesFit:
    """Fitted series of a stiff string."""

    f0_hz: float
    f0_hz_se: float
    f1_hz: float
    f1_hz_se: float
    f1_cents_se: float
    inharmonicity: float | None  # None: too few partials to tell
    inharmonicity_se: float | None
    cents_from_fit: FloatArray  # shape (k,), measured minus fitted
    weight: FloatArray  # shape (k,), 0 (left out) to 1
    residual_cents: float  # robust scatter about the fit


def fit_series(
    partials: PartialFrequencies, *, midi: float, iterations: int = 8
) -> SeriesFit | None:
    """Fit f0 and B of a stiff string to measured partials, jointly and robustly.

    Parameters
    ----------
    partials : PartialFrequencies
        Measured partials, at least one.
    midi : float
        The note, for what to expect of B.
    iterations : int
        Rounds of reweighting.

    Returns
    -------
    SeriesFit or None
        ``None`` without any partial. With a single partial B is not measurable; f1 is then that
        partial, taken back to n = 1 through the expected B.

    Notes
    -----
    ``(f_n/n)^2`` is regressed on ``n^2`` with weights from each partial's standard error, the pull
    of the soundboard, and the scatter about the law found in the same fit (Tukey's
    biweight, cut at 4.7 robust standard deviations).
    """
    if partials.n.size == 0:
        return None
    n = partials.n.astype(np.float64)
    hz = partials.hz
    prior_b = typical_inharmonicity(float(midi))
    noise_cents = 1200.0 / np.log(2.0) * partials.hz_se / hz
    pull = pull_cents(hz) if n.size > 6 else np.zeros(n.size)
    # What the scatter about the law is, the partials that are pulled cannot tell.
    telling = pull == 0.0 if np.count_nonzero(pull == 0.0) > 3 else np.ones(n.size, dtype=np.bool_)
    scatter = 0.5
    robust = np.ones(n.size)
    f0, b = float(hz[0] / n[0]) / np.sqrt(1.0 + prior_b * n[0] ** 2), prior_b
    off = np.zeros(n.size)
    sigma = np.ones(n.size)
    enough = n.size >= 2 and n.max() >= 2
    for _ in range(iterations if enough else 1):
        sigma = np.sqrt(noise_cents**2 + pull**2 + scatter**2)
        if enough:
            weight = robust / (sigma * (np.log(2.0) / 1200.0) * 2.0 * (hz / n) ** 2) ** 2
            f0, b = fit_line(n, hz, weight, prior_b=prior_b, log_sd=inharmonicity_log_sd(midi))
        fitted = n * f0 * np.sqrt(1.0 + b * n**2)
        off = ratio_to_cents(hz / fitted)
        if n.size > 3:
            z = off / np.sqrt(noise_cents**2 + pull**2 + scatter**2)
            spread = 1.4826 * float(np.median(np.abs(z[telling])))
            # Two parameters are fitted: widen for the degrees of freedom that they take.
            spread *= np.sqrt(n.size / max(n.size - 2, 1))
            seen = float(np.clip(scatter * max(spread, 0.2), SCATTER_FLOOR_CENTS, 12.0))
            # The spread of a few partials is itself uncertain: three more at the usual scatter.
            df = n.size - 2
            scatter = float(
                np.sqrt((df * seen**2 + 3.0 * USUAL_SCATTER_CENTS**2) / (df + 3.0))
                if df < 8
                else seen
            )
            u = off / (4.685 * np.sqrt(noise_cents**2 + pull**2 + scatter**2))
            robust = np.where(np.abs(u) < 1.0, (1.0 - u**2) ** 2, 0.0)
            if np.count_nonzero(robust > 0.05) < 3:
                robust = np.ones(n.size)
        else:
            scatter = FEW_PARTIALS_SCATTER_CENTS
    weight = robust / (sigma * (np.log(2.0) / 1200.0) * 2.0 * (hz / n) ** 2) ** 2
    # Neighbouring partials leave the law together; then there is less to average over.
    weight = weight / _persistence(off, robust)
    f0_se, b_se, f1_cents_se = _fit_errors(
        n, hz, weight, f0=f0, b=b, prior_sd=prior_b * inharmonicity_log_sd(midi)
    )
    f1 = f0 * float(np.sqrt(1.0 + b))
    # No string is without stiffness: a fit that finds none has not measured it.
    told = enough and b > 0.0 and b_se < 0.5 * max(b, prior_b)
    return SeriesFit(
        f0_hz=f0,
        f0_hz_se=f0_se,
        f1_hz=f1,
        f1_hz_se=f1 * f1_cents_se * float(np.log(2.0)) / 1200.0,
        f1_cents_se=f1_cents_se,
        inharmonicity=b if told else None,
        inharmonicity_se=b_se if told else None,
        cents_from_fit=off,
        weight=robust,
        residual_cents=scatter if n.size > 3 else float(np.sqrt(np.mean(off**2))),
    )


def _persistence(off: FloatArray, robust: FloatArray) -> float:
    """By how much correlation from partial to partial widens the variance of the fit, >= 1."""
    kept = off[robust > 0.05]
    if kept.size < 8:
        return 2.0
    centred = kept - kept.mean()
    total = float(np.sum(centred**2))
    rho = float(np.sum(centred[1:] * centred[:-1])) / total if total > 0 else 0.0
    # The fit takes two degrees of freedom out of the residuals, which lowers rho by about 2/k.
    rho = float(np.clip(rho + 2.0 / kept.size, 0.0, 0.8))
    return (1.0 + rho) / (1.0 - rho)


def _fit_errors(
    n: FloatArray, hz: FloatArray, weight: FloatArray, *, f0: float, b: float, prior_sd: float
) -> tuple[float, float, float]:
    """Standard errors of f0 (Hz), B, and f1 (cents) from the normal matrix of the fit."""
    # Parameters: intercept p = f0^2 and slope q = f0^2 B; the prior acts on q alone.
    middle, mean_var, slope_var = spread_of_line(n, hz, weight, prior_sd=prior_sd)
    p = f0**2
    f0_se = float(np.sqrt(mean_var + middle**2 * slope_var)) / (2.0 * f0)
    # B = q / p: its derivatives by the value at the middle and by the slope.
    b_se = float(np.sqrt((b / p) ** 2 * mean_var + ((1.0 + b * middle) / p) ** 2 * slope_var))
    f1_squared_var = mean_var + (1.0 - middle) ** 2 * slope_var
    f1_cents_se = 600.0 / np.log(2.0) * np.sqrt(f1_squared_var) / (p * (1.0 + b))
    return f0_se, b_se, float(f1_cents_se)
