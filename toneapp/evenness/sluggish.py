"""Which keys repeat worse than the instrument's own trend?

Rate, evenness of spacing and of level of each key are held against the smooth trend of the keys
around it; missed blows against the share of blows that the instrument misses elsewhere. A key is
listed when it is worse by more than is noticed and by more than chance, with the reasons.

Conventions: differences are *key minus trend*; of rates and of the coefficient of variation as
natural logarithms of the ratio.

Functions: `judge_repetition`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from toneapp.evenness.discovery import FALSE_DISCOVERY_RATE, adjust_p_values
from toneapp.evenness.outliers import judge_residuals
from toneapp.measure.repetition import KeyRepetition
from toneapp.results import Flag

__all__ = ["RepetitionJudgement", "SluggishKey", "SluggishReason", "judge_repetition"]

NOTICED_RATE_LN = 0.12
NOTICED_SPACING_LN = 0.4
NOTICED_LEVEL_DB = 1.5
"""Sizes worth a word: 12 % of the rate, half as much again in the scatter of the spacing, 1.5 dB
in that of the level (common practice, no source)."""

LEAST_RATE_LN_SE = 0.03
"""No hand keeps up its rate from key to key more closely than by this share, however evenly the
blows on one key come (common practice, no source). An error near nothing would draw the trend to
that key alone."""

MOST_ORDINARY = float("inf")
LEAST_KEYS = 7
LEAST_MISSED_SHARE = 0.01
FEW_KEYS_RATIO = 0.75
"""With fewer keys than a trend needs, a key is called slow below three quarters of the fastest
comparison there is: the median of all keys."""


class SluggishReason(StrEnum):
    """In what way a key repeats worse."""

    SLOW = "slow"
    UNEVEN_SPACING = "uneven_spacing"
    UNEVEN_LEVEL = "uneven_level"
    MISSED_BLOWS = "missed_blows"


@dataclass(frozen=True, slots=True, kw_only=True)
class SluggishKey:
    """A key that repeats worse than the trend."""

    midi: int
    note: str
    reasons: tuple[SluggishReason, ...]
    strikes_per_s: float
    usual_per_s: float | None  # of the keys around it
    rate_ln: float | None  # natural log of the ratio to that
    rate_ln_se: float | None
    missed: int
    suspicion: float  # how far beyond what is noticed, summed over the reasons


@dataclass(frozen=True, slots=True, kw_only=True)
class RepetitionJudgement:
    """Sluggish keys, worst first."""

    sluggish: tuple[SluggishKey, ...]
    judged: int  # keys that could be judged
    flags: tuple[Flag, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Excess:
    """How much worse one key is in one respect."""

    usual: float
    difference: float
    se: float
    is_raised: bool


def judge_repetition(
    keys: Sequence[KeyRepetition], *, breaks: Sequence[float] = ()
) -> RepetitionJudgement:
    """List the keys that repeat worse than the instrument's own trend.

    Parameters
    ----------
    keys : sequence of KeyRepetition
        Those without a note are left out; of several series on one key the fastest counts.
    breaks : sequence of float
        First notes of new sections.

    Returns
    -------
    RepetitionJudgement
        With fewer than seven keys there is no trend; keys are then held against the median, and
        the flag says so.

    Notes
    -----
    The hand that strikes sets the general rate: only what leaves the trend is the key's.
    Missed blows are tested by the binomial law against the share missed on all other keys. Over
    the keys the false-discovery rate of each reason is held at 5 %.
    """
    best: dict[int, KeyRepetition] = {}
    for key in keys:
        if key.midi is None:
            continue
        if key.midi not in best or key.strikes_per_s > best[key.midi].strikes_per_s:
            best[key.midi] = key
    chosen = [best[midi] for midi in sorted(best)]
    if not chosen:
        return RepetitionJudgement(sluggish=(), judged=0, flags=(Flag.TOO_FEW_NOTES,))
    rates = _rate_excess(chosen, breaks)
    spacing = _excess(
        chosen,
        lambda k: float(np.log(k.spacing_cv)) if k.spacing_cv else None,
        lambda k: float(np.sqrt(0.5 / max(k.blows - 2, 1))),
        noticed=NOTICED_SPACING_LN,
        breaks=breaks,
    )
    level = _excess(
        chosen,
        lambda k: k.level_sd_db,
        lambda k: k.level_sd_db_se,
        noticed=NOTICED_LEVEL_DB,
        breaks=breaks,
    )
    missed = _missed_too_often(chosen)
    found = []
    for key in chosen:
        assert key.midi is not None
        reasons = []
        suspicion = 0.0
        rate = rates.get(key.midi)
        if rate is not None and rate.is_raised and rate.difference < 0:
            reasons.append(SluggishReason.SLOW)
            suspicion += -rate.difference / NOTICED_RATE_LN
        for excess, noticed, reason in (
            (spacing.get(key.midi), NOTICED_SPACING_LN, SluggishReason.UNEVEN_SPACING),
            (level.get(key.midi), NOTICED_LEVEL_DB, SluggishReason.UNEVEN_LEVEL),
        ):
            if excess is not None and excess.is_raised and excess.difference > 0:
                reasons.append(reason)
                suspicion += excess.difference / noticed
        if key.midi in missed:
            reasons.append(SluggishReason.MISSED_BLOWS)
            suspicion += 10.0 * key.missed / (key.blows + key.missed)
        if reasons:
            found.append(
                SluggishKey(
                    midi=key.midi,
                    note=key.note,
                    reasons=tuple(reasons),
                    strikes_per_s=key.strikes_per_s,
                    usual_per_s=None if rate is None else float(np.exp(rate.usual)),
                    rate_ln=None if rate is None else rate.difference,
                    rate_ln_se=None if rate is None else rate.se,
                    missed=key.missed,
                    suspicion=suspicion,
                )
            )
    return RepetitionJudgement(
        sluggish=tuple(sorted(found, key=lambda item: -item.suspicion)),
        judged=len(chosen),
        flags=() if len(chosen) >= LEAST_KEYS else (Flag.TOO_FEW_NOTES,),
    )


def _rate_excess(keys: Sequence[KeyRepetition], breaks: Sequence[float]) -> dict[int, _Excess]:
    """Log rate of each key against the trend, or against the median of few keys."""
    by_trend = _excess(
        keys,
        lambda k: float(np.log(k.strikes_per_s)),
        _rate_se,
        noticed=NOTICED_RATE_LN,
        breaks=breaks,
    )
    if by_trend or len(keys) < 3:
        return by_trend
    middle = float(np.median([np.log(key.strikes_per_s) for key in keys]))
    found = {}
    for key in keys:
        assert key.midi is not None
        difference = float(np.log(key.strikes_per_s)) - middle
        se = _rate_se(key)
        found[key.midi] = _Excess(
            usual=middle,
            difference=difference,
            se=se,
            is_raised=difference < float(np.log(FEW_KEYS_RATIO)) and difference < -2.0 * se,
        )
    return found


def _rate_se(key: KeyRepetition) -> float:
    """Standard error of the log rate."""
    told = key.strikes_per_s_se
    return LEAST_RATE_LN_SE if told is None else max(told / key.strikes_per_s, LEAST_RATE_LN_SE)


def _excess(
    keys: Sequence[KeyRepetition],
    value: Callable[[KeyRepetition], float | None],
    se: Callable[[KeyRepetition], float],
    *,
    noticed: float,
    breaks: Sequence[float],
) -> dict[int, _Excess]:
    """Residuals of one measure from the trend; empty without a trend."""
    rows = [(key.midi, v, se(key), key.blows) for key in keys if (v := value(key)) is not None]
    if len(rows) < LEAST_KEYS:
        return {}
    midi, values, errors, blows = (
        np.array(column, dtype=np.float64) for column in zip(*rows, strict=True)
    )
    judged = judge_residuals(
        midi,
        values,
        np.maximum(errors, 1e-6),
        np.maximum(blows - 1.0, 1.0),
        audible=noticed,
        ordinary_limit=MOST_ORDINARY,
        breaks=breaks,
    )
    if judged is None:
        return {}
    return {
        int(midi[i]): _Excess(
            usual=float(values[i] - judged.residual[i]),
            difference=float(judged.residual[i]),
            se=float(judged.se[i]),
            is_raised=bool(judged.is_raised[i]),
        )
        for i in range(midi.size)
    }


def _missed_too_often(keys: Sequence[KeyRepetition]) -> set[int]:
    """Keys that miss more blows than the others do."""
    from scipy.special import bdtrc

    missed = np.array([key.missed for key in keys], dtype=np.float64)
    tried = missed + np.array([key.blows for key in keys], dtype=np.float64)
    others_missed, others_tried = missed.sum() - missed, tried.sum() - tried
    # One blow in a hundred is lost on any key, by the hand or by the measuring.
    share = np.maximum((others_missed + 0.5) / (others_tried + 1.0), LEAST_MISSED_SHARE)
    p = np.where(
        missed > 0, bdtrc(np.maximum(missed - 1.0, 0.0), tried.astype(np.int64), share), 1.0
    )
    adjusted = adjust_p_values(np.clip(p, 0.0, 1.0))
    return {
        int(key.midi)
        for key, value, count in zip(keys, adjusted, missed, strict=True)
        if key.midi is not None and count >= 2 and value <= FALSE_DISCOVERY_RATE
    }
