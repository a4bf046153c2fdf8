"""Strikes of whole runs put together by hand, for the tests of ringing."""

from __future__ import annotations

import math

from toneapp.analysis.ringon import judge_ringing
from toneapp.analysis.strike import MeasuredStrike
from toneapp.keyboard import KeyboardLayout
from toneapp.measure.ringing import RingLine
from toneapp.pitch import note_name
from toneapp.results import Flag, PartialResult, StrikeResult

B = 4e-4
LAST_DAMPER = 88


def hz_of(midi: int, n: int = 1) -> float:
    f1 = 440.0 * 2.0 ** ((midi - 69) / 12.0)
    return n * f1 * math.sqrt((1 + B * n * n) / (1 + B))


def measured(
    midi: int,
    *,
    t60_s: float = 0.35,
    level_db: float = -38.0,
    lines: tuple[tuple[float, float, float], ...] = (),
    room_t60_s: float = 0.4,
    is_clean: bool = True,
    flags: tuple[Flag, ...] = (),
) -> MeasuredStrike:
    """One strike as it comes from its own measuring: decay, level at 0.3 s, lines."""
    f1 = hz_of(midi)
    count = max(1, min(12, int(9000.0 / f1)))
    is_damped = midi <= LAST_DAMPER
    result = StrikeResult(
        midi=midi, note=note_name(midi), onset_s=2.0 * midi, end_s=2.0 * midi + 1.8,
        release_s=2.0 * midi + 0.4 if is_damped else None, f1_hz=f1,
        f0_hz=f1 / math.sqrt(1 + B), B=B, series_residual_cents=0.5,
        damped_t60_s=t60_s if is_damped else None,
        ring_levels_db=(level_db, level_db - 5.0, None) if is_damped else (None, None, None),
        partials=tuple(
            PartialResult(n=n, hz=hz_of(midi, n), level_db=-20.0) for n in range(1, count + 1)
        ),
        flags=flags,
    )  # fmt: skip
    return MeasuredStrike(
        result=result,
        lines=tuple(
            RingLine(
                hz=hz,
                hz_se=0.02,
                level_db=db,
                t60_s=t60,
                t60_s_se=0.03,
                above_db=30.0,
                is_clean=is_clean,
            )
            for hz, db, t60 in lines
        ),
        hears_release=is_damped,
        partials_t60_s=t60_s if is_damped else None,
        tails_t60_s=(room_t60_s,) * 3 if is_damped else (),
    )


def whole_run(**changes: MeasuredStrike) -> list[MeasuredStrike]:
    """A sound instrument from C2 to C8, with some strikes put in place of the sound ones."""
    other = {int(name.removeprefix("k")): item for name, item in changes.items()}
    return [other.get(midi, measured(midi)) for midi in range(36, 109)]


def judged(items: list[MeasuredStrike]) -> tuple[dict[int, StrikeResult], object]:
    results, ring_on = judge_ringing(items, layout=KeyboardLayout(last_damper_midi=LAST_DAMPER))
    return {result.midi: result for result in results}, ring_on


def leaking(midi: int) -> MeasuredStrike:
    lines = tuple((hz_of(midi, n), -12.0 - 2.0 * n, 2.5) for n in (1, 2, 3))
    return measured(midi, t60_s=2.2, level_db=-9.0, lines=lines)


def after(keys: tuple[int, ...], hz: float, level_db: float) -> dict[str, MeasuredStrike]:
    """Strikes of sound keys after which one and the same line is heard."""
    return {f"k{midi}": measured(midi, lines=((hz, level_db, 2.4),)) for midi in keys}
