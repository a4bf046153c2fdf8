"""Leaking dampers and echo strings of whole runs: by hand, by formulas, on simulated truth."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from toneapp.analysis import analyse
from toneapp.analysis.ringon import judge_ringing
from toneapp.analysis.strike import MeasuredStrike
from toneapp.keyboard import Compass, KeyboardLayout
from toneapp.measure.ringing import RingLine
from toneapp.pitch import note_name
from toneapp.results import Cause, Flag, PartialResult, RunResult, StrikeResult

RATE = 32000
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
    )  # fmt: skip
    return MeasuredStrike(
        result=result,
        lines=tuple(
            RingLine(hz=hz, hz_se=0.02, level_db=db, t60_s=t60, t60_s_se=0.05, above_db=30.0)
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


# By hand


def test_a_sound_instrument_rings_nowhere() -> None:
    results, ring_on = judged(whole_run())
    assert ring_on is not None
    assert not any(result.ringing for result in results.values())
    assert ring_on.suspects == ()
    assert ring_on.echo_strings == ()
    assert ring_on.treble_echo_db is None
    assert ring_on.room_t60_s == pytest.approx(0.4)
    assert (ring_on.last_damper_midi, ring_on.last_damper_is_given) == (LAST_DAMPER, True)
    assert ring_on.strikes_heard == LAST_DAMPER - 36 + 1


def test_a_leaking_damper_is_suspected_and_heard_after_other_keys() -> None:
    heard = {
        midi: measured(midi, lines=((hz_of(50, 5), -30.0, 2.4),)) for midi in (61, 65, 70, 73)
    }
    results, ring_on = judged(
        whole_run(k50=leaking(50), **{f"k{midi}": item for midi, item in heard.items()})
    )
    assert ring_on is not None
    first = ring_on.suspects[0]
    assert (first.midi, first.note) == (50, "D3")
    assert first.damped_t60_s == pytest.approx(2.2)
    assert first.usual_t60_s == pytest.approx(0.35, rel=0.05)
    assert first.heard_from == (61, 65, 70, 73)
    assert {echo.cause for echo in results[50].ringing} == {Cause.OWN_DAMPER}
    (echo,) = results[61].ringing
    assert (echo.midi, echo.cause) == (50, Cause.OTHER_DAMPER)
    (summary,) = ring_on.echo_strings
    assert summary.midi == 50
    assert summary.from_keys == (61, 65, 70, 73)
    assert summary.level_db == pytest.approx(-30.0)


def test_undamped_strings_are_told_from_leaking_ones() -> None:
    ring = measured(60, lines=((hz_of(91), -35.0, 2.0),))
    results, ring_on = judged(whole_run(k60=ring))
    assert ring_on is not None
    (echo,) = results[60].ringing
    assert (echo.midi, echo.cause) == (91, Cause.UNDAMPED)
    assert ring_on.suspects == ()
    # One key of 53 adds -35 dB: mean energy 17.2 dB below that.
    assert ring_on.treble_echo_db == pytest.approx(-35.0 - 10.0 * math.log10(53), abs=0.01)


def test_the_worst_damper_comes_first() -> None:
    slow = measured(70, t60_s=0.7, level_db=-28.0)
    _, ring_on = judged(whole_run(k50=leaking(50), k57=leaking(57), k70=slow))
    assert ring_on is not None
    assert {suspect.midi for suspect in ring_on.suspects[:2]} == {50, 57}
    assert ring_on.suspects[-1].midi == 70
    assert ring_on.suspects[0].suspicion > ring_on.suspects[-1].suspicion + 2.0


def test_the_order_of_the_strikes_does_not_matter() -> None:
    items = whole_run(k50=leaking(50))
    _, first = judged(items)
    _, second = judged(items[::-1])
    assert first == second


def test_without_any_release_nothing_is_said() -> None:
    items = [replace(measured(midi), hears_release=False) for midi in range(40, 60)]
    results, ring_on = judge_ringing(items, layout=KeyboardLayout())
    assert ring_on is None
    assert [result.midi for result in results] == list(range(40, 60))


def test_too_few_notes_name_no_strings() -> None:
    _, ring_on = judge_ringing([measured(60), measured(62)], layout=KeyboardLayout())
    assert ring_on is not None
    assert ring_on.flags == (Flag.TOO_FEW_NOTES,)


@pytest.mark.parametrize("last", [86, 89, 91])
def test_the_last_damper_is_read_from_the_run(last: int) -> None:
    items = []
    for midi in range(60, 109):
        item = measured(midi)
        if midi > last:
            item = replace(item, result=replace(item.result, release_s=None))
        elif midi > LAST_DAMPER:
            item = replace(
                item, result=replace(item.result, release_s=item.result.onset_s + 0.4),
                hears_release=True,
            )  # fmt: skip
        items.append(item)
    _, ring_on = judge_ringing(items, layout=KeyboardLayout())
    assert ring_on is not None
    assert ring_on.last_damper_midi == last
    assert not ring_on.last_damper_is_given


# From formulas


@pytest.fixture(scope="module")
def formula_run(tones: ModuleType, write: Callable[..., Path]) -> RunResult:
    """Two octaves and free keys; C#4 leaks, G6 answers C4 and C5, a hum runs through."""
    keys = [*range(52, 77), 90, 91, 92, 95]
    blows = tones.evenly_spaced(keys, gap_s=1.5, hold_s=0.4)
    rng = np.random.default_rng(60)
    sound = tones.struck_run(blows, rate_hz=RATE, rng=rng, noise_dbfs=-74.0)
    t = np.arange(sound.size) / RATE
    sound += 1.5e-3 * np.sin(2 * np.pi * 50.0 * t) + 1e-3 * np.sin(2 * np.pi * 1000.0 * t)
    for blow in blows:
        first = int(blow.onset_s * RATE)
        span = np.arange(min(int(1.45 * RATE), sound.size - first)) / RATE
        after = np.clip(span - blow.hold_s, 0.0, None)
        if blow.midi in (60, 72):  # the free string of G6, driven during the hold
            tail = 10.0 ** (-3.0 * after / 3.0) * np.clip(span / 0.2, 0.0, 1.0)
            hz = tones.equal_tempered_hz(91)
            sound[first : first + span.size] += 2.5e-3 * tail * np.sin(2 * np.pi * hz * span)
        if blow.midi == 61:  # its own damper hardly works
            own = tones.string_tone(
                f1_hz=tones.equal_tempered_hz(61), b=tones.young_b(61), rate_hz=RATE,
                length_s=1.45, t60_s=3.0, rng=np.random.default_rng(7),
            )  # fmt: skip
            gate = np.clip((span - blow.hold_s + 0.05) / 0.05, 0.0, 1.0)
            sound[first : first + span.size] += 0.2 * own[: span.size] * gate
    return analyse(
        write(sound, rate=RATE, subtype="PCM_24"),
        layout=KeyboardLayout(last_damper_midi=LAST_DAMPER),
    )


def test_the_string_that_was_put_in_is_heard_and_no_other(formula_run: RunResult) -> None:
    heard = {
        (strike.midi, echo.midi, echo.cause)
        for strike in formula_run.strikes
        for echo in strike.ringing
        if echo.cause is not Cause.OWN_DAMPER
    }
    assert heard == {(60, 91, Cause.UNDAMPED), (72, 91, Cause.UNDAMPED)}


def test_the_leaking_damper_that_was_put_in_is_first(formula_run: RunResult) -> None:
    assert formula_run.ring_on is not None
    assert formula_run.ring_on.suspects[0].midi == 61
    own = next(s for s in formula_run.strikes if s.midi == 61)
    assert Cause.OWN_DAMPER in {echo.cause for echo in own.ringing}


def test_a_hum_through_the_whole_run_rings_nowhere(formula_run: RunResult) -> None:
    for strike in formula_run.strikes:
        for echo in strike.ringing:
            assert abs(echo.hz - 50.0) > 3.0
            assert abs(echo.hz - 1000.0) > 3.0


# On simulated truth


@pytest.fixture(scope="module")
def leaky_piano(write: Callable[..., Path]) -> tuple[RunResult, object, tuple[int, ...]]:
    from toneapp.simulate import Faults, Room, chromatic_plan, make_piano, render

    leaks = (43, 50, 57, 65, 71, 78)
    piano = make_piano(
        np.random.default_rng(31), kind="grand", last_damper_midi=LAST_DAMPER,
        faults=Faults(damper_strength=dict.fromkeys(leaks, 0.03)),
    )  # fmt: skip
    rng = np.random.default_rng(32)
    plan = chromatic_plan(Compass.parse("E2-C8"), rng=rng, hold_s=0.35, gap_s=1.1)
    run = render(piano, plan, Room(t60_s=0.35, snr_db=55.0), rng=rng, sample_rate_hz=RATE)
    result = analyse(
        write(run.audio, rate=RATE, subtype="PCM_24"),
        layout=KeyboardLayout(last_damper_midi=LAST_DAMPER),
    )
    return result, run.truth, leaks


def test_all_leaking_dampers_are_among_the_first_eight(
    leaky_piano: tuple[RunResult, object, tuple[int, ...]],
) -> None:
    result, _, leaks = leaky_piano
    assert result.ring_on is not None
    assert set(leaks) <= {suspect.midi for suspect in result.ring_on.suspects[:8]}


def test_strings_and_causes_are_those_of_the_truth(
    leaky_piano: tuple[RunResult, object, tuple[int, ...]],
) -> None:
    result, truth, _ = leaky_piano
    found = missed = false = right = 0
    for strike in result.strikes:
        near = min(truth.strikes, key=lambda other: abs(other.onset_s - strike.onset_s))
        if strike.midi > LAST_DAMPER:
            continue
        loud = {ring.midi for ring in near.ringing if ring.level_db > -50.0}
        any_level = {ring.midi: ring.cause for ring in near.ringing}
        told = {echo.midi: echo for echo in strike.ringing}
        found += len(loud & told.keys())
        missed += len(loud - told.keys())
        for midi, echo in told.items():
            if echo.level_db <= -50.0:
                continue
            if midi in any_level:
                right += echo.cause is any_level[midi]
            else:
                false += 1
    assert found > 60
    # Where two strings ring within 4 Hz for half a second they are one line, and one is missed.
    assert found / (found + missed) >= 0.85
    assert found / (found + false) >= 0.9
    assert right >= 0.9 * found


def test_free_strings_answer_where_partials_meet(
    leaky_piano: tuple[RunResult, object, tuple[int, ...]],
) -> None:
    """H.-M. Lehtonen et al., J. Acoust. Soc. Am. 122, 1787 (2007), as measured from the sound."""
    result, _, _ = leaky_piano
    offs = []
    for strike in result.strikes:
        if strike.f0_hz is None or strike.B is None:
            continue
        n = np.arange(1, 40)
        series = n * strike.f0_hz * np.sqrt(1.0 + strike.B * n**2)
        offs += [
            float(np.min(np.abs(1200.0 * np.log2(echo.hz / series))))
            for echo in strike.ringing
            if echo.cause is Cause.UNDAMPED and echo.level_db > -45.0
        ]
    assert len(offs) >= 15
    # By chance the median would be a quarter of the spacing of partials, 25 cents or more.
    assert np.median(offs) < 8.0


@pytest.fixture(scope="module")
def quiet_piano(write: Callable[..., Path]) -> RunResult:
    """Sound dampers, free strings that do not answer, a room of 0.6 s."""
    from toneapp.simulate import Room, chromatic_plan, make_piano, render

    piano = make_piano(
        np.random.default_rng(33), kind="grand", last_damper_midi=LAST_DAMPER, sympathy=0.0
    )
    rng = np.random.default_rng(34)
    plan = chromatic_plan(Compass.parse("C2-C8"), rng=rng, hold_s=0.35, gap_s=1.0)
    run = render(piano, plan, Room(t60_s=0.6, snr_db=55.0), rng=rng, sample_rate_hz=RATE)
    return analyse(
        write(run.audio, rate=RATE, subtype="PCM_24"),
        layout=KeyboardLayout(last_damper_midi=LAST_DAMPER),
    )


def test_a_well_damped_piano_in_a_live_room_does_not_ring(quiet_piano: RunResult) -> None:
    assert len(quiet_piano.strikes) == 73
    assert sum(len(strike.ringing) for strike in quiet_piano.strikes) <= 1


def test_the_rooms_own_decay_is_read_from_the_run(quiet_piano: RunResult) -> None:
    assert quiet_piano.ring_on is not None
    assert quiet_piano.ring_on.room_t60_s == pytest.approx(0.6, rel=0.2)
