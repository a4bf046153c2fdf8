"""Leaking dampers and echo strings of whole runs: by hand and by formulas."""

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
from toneapp.keyboard import KeyboardLayout
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
                item,
                result=replace(item.result, release_s=item.result.onset_s + 0.4),
                hears_release=True,
            )
        items.append(item)
    _, ring_on = judge_ringing(items, layout=KeyboardLayout())
    assert ring_on is not None
    assert ring_on.last_damper_midi == last
    assert not ring_on.last_damper_is_given


def after(keys: tuple[int, ...], hz: float, level_db: float) -> dict[str, MeasuredStrike]:
    """Strikes of sound keys after which one and the same line is heard."""
    return {f"k{midi}": measured(midi, lines=((hz, level_db, 2.4),)) for midi in keys}


def test_a_damper_that_leaks_a_little_is_known_by_what_others_hear() -> None:
    # 21 dB down 0.3 s after its own release: a string that shares a partial may do as much.
    weak = measured(64, t60_s=0.7, level_db=-21.0, lines=((hz_of(64), -17.0, 1.3),))
    heard = after((43, 47, 53, 57), hz_of(64), -40.0)
    results, ring_on = judged(whole_run(k64=weak, **heard))
    assert ring_on is not None
    assert ring_on.suspects[0].midi == 64
    assert ring_on.suspects[0].heard_from == (43, 47, 53, 57)
    assert {echo.cause for echo in results[64].ringing} == {Cause.OWN_DAMPER}
    few, _ = judged(whole_run(k64=weak, **after((43, 47, 53), hz_of(64), -40.0)))
    assert few[64].ringing == ()


def test_what_a_known_leak_explains_speaks_against_no_other_damper() -> None:
    # Partial 2 of C4 is 1.0 cent above partial 1 of C5: C5 sounds where C4 leaks.
    shared = hz_of(60, 2)
    weak = measured(72, t60_s=0.7, level_db=-21.0, lines=((shared, -17.0, 2.5),))
    heard = after((43, 47, 53, 57, 62), shared, -40.0)
    results, ring_on = judged(whole_run(k60=leaking(60), k72=weak, **heard))
    assert ring_on is not None
    assert ring_on.suspects[0].midi == 60
    assert not any(echo.cause is Cause.OWN_DAMPER for echo in results[72].ringing)
    assert all(results[midi].ringing[0].midi == 60 for midi in (43, 47, 53, 57, 62))


@pytest.mark.parametrize(("level_db", "is_leaking"), [(-22.0, False), (-9.0, True)])
def test_only_a_quiet_partial_can_be_lent(level_db: float, is_leaking: bool) -> None:
    # C5 has but its first partial, where partial 2 of the leaking C4 lies, 1.0 cent above.
    ring = measured(72, t60_s=1.6, level_db=-12.0, lines=((hz_of(60, 2), level_db, 2.0),))
    results, _ = judged(whole_run(k60=leaking(60), k72=ring))
    own = [echo for echo in results[72].ringing if echo.cause is Cause.OWN_DAMPER]
    assert bool(own) == is_leaking


def test_a_loud_tail_without_a_string_is_no_leak() -> None:
    # Talk over the release, or a release that was missed: no partial of the note rings.
    talk = measured(66, t60_s=1.5, level_db=-9.0)
    results, ring_on = judged(whole_run(k66=talk))
    assert ring_on is not None
    assert results[66].ringing == ()
    assert not any(echo.midi == 66 for result in results.values() for echo in result.ringing)


def test_one_doubtful_line_tells_of_no_undamped_string() -> None:
    # 0.62 s in a room of 0.4 s at the place of G6: what the room leaves of a partial lies there.
    once = measured(60, lines=((hz_of(91), -45.0, 0.62),))
    results, _ = judged(whole_run(k60=once))
    assert results[60].ringing == ()


@pytest.mark.parametrize(("apart_hz", "is_heard"), [(0.0, True), (1.5, False)])
def test_a_doubtful_line_counts_when_another_agrees(apart_hz: float, is_heard: bool) -> None:
    first = measured(60, lines=((hz_of(91), -45.0, 0.62),))
    second = measured(67, lines=((hz_of(91) + apart_hz, -45.0, 0.62),))
    results, _ = judged(whole_run(k60=first, k67=second))
    for midi in (60, 67):
        assert [echo.midi for echo in results[midi].ringing] == ([91] if is_heard else [])


def test_keys_held_into_the_next_note_are_no_leaking_dampers() -> None:
    # Every third key of the run: no release is heard, and the partials go on.
    flags = (Flag.NO_RELEASE, Flag.RELEASE_ASSUMED)
    held = {
        f"k{midi}": measured(
            midi, t60_s=6.0, level_db=-2.0, flags=flags,
            lines=tuple((hz_of(midi, n), -8.0 - n, 6.0) for n in (1, 2, 3)),
        )
        for midi in range(36, LAST_DAMPER, 3)
    }  # fmt: skip
    results, ring_on = judged(whole_run(**held))
    assert ring_on is not None
    assert ring_on.suspects == ()
    assert not any(result.ringing for result in results.values())


def test_a_few_releases_that_are_never_heard_are_leaking_dampers() -> None:
    flags = (Flag.NO_RELEASE, Flag.RELEASE_ASSUMED)
    leaks = {
        f"k{midi}": measured(
            midi, t60_s=4.0, level_db=-4.0, flags=flags,
            lines=tuple((hz_of(midi, n), -8.0 - n, 4.0) for n in (1, 2, 3)),
        )
        for midi in (38, 45, 51, 58, 66, 73)
    }  # fmt: skip
    _, ring_on = judged(whole_run(**leaks))
    assert ring_on is not None
    assert {suspect.midi for suspect in ring_on.suspects} == {38, 45, 51, 58, 66, 73}


def test_strings_that_ring_do_not_lengthen_the_room() -> None:
    # After every strike a clean line of 3 s at the note's own partial; the room's rest 0.3 s.
    items = []
    for midi in range(40, 100):
        item = measured(midi, lines=((hz_of(midi, 2), -30.0, 3.0),), room_t60_s=0.9)
        rest = RingLine(hz=hz_of(midi, 3), hz_se=0.1, level_db=-40.0, t60_s=0.3, t60_s_se=0.02,
                        above_db=14.0)  # fmt: skip
        items.append(replace(item, lines=(*item.lines, rest)) if item.hears_release else item)
    _, ring_on = judged(items)
    assert ring_on is not None
    # The fastest lines of a room die in 0.8 of its reverberation time.
    assert ring_on.room_t60_s == pytest.approx(0.3 / 0.8)


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
                f1_hz=tones.equal_tempered_hz(61),
                b=tones.young_b(61),
                rate_hz=RATE,
                length_s=1.45,
                t60_s=3.0,
                rng=np.random.default_rng(7),
            )
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


def test_a_line_that_outlasts_the_room_by_far_is_a_witness_though_not_clean() -> None:
    doubtful = measured(60, lines=((hz_of(91), -30.0, 1.0),), is_clean=False)
    sure = measured(72, lines=((hz_of(91), -38.0, 2.5),), is_clean=False)
    alone, _ = judged(whole_run(k60=doubtful))
    assert alone[60].ringing == ()
    both, _ = judged(whole_run(k60=doubtful, k72=sure))
    assert [echo.midi for echo in both[60].ringing] == [91]


def test_a_damper_that_takes_most_at_once_and_holds_the_rest_badly() -> None:
    # The level 0.3 s after the release is as low as the room lets it be at the neighbours'.
    lines = tuple((hz_of(50, n), -20.0 - 3.0 * n, 1.2) for n in (1, 2, 3, 4))
    heard = {
        f"k{midi}": measured(midi, lines=((hz_of(50, 5), -38.0, 1.1),))
        for midi in (61, 65, 70, 73)
    }
    leak = measured(50, level_db=-30.0, t60_s=0.5, lines=lines)
    _, ring_on = judged(whole_run(k50=leak, **heard))
    assert ring_on is not None
    assert [suspect.midi for suspect in ring_on.suspects] == [50]  # type: ignore[attr-defined]
    # Beside others it is certain by itself.
    loud = measured(50, level_db=-24.0, t60_s=0.9, lines=lines)
    _, ring_on = judged(whole_run(k50=loud))
    assert [suspect.midi for suspect in ring_on.suspects] == [50]  # type: ignore[attr-defined]
    # One partial of its own is none: it may be lent.
    _, ring_on = judged(whole_run(k50=measured(50, level_db=-30.0, t60_s=0.5, lines=lines[:1])))
    assert ring_on.suspects == ()  # type: ignore[attr-defined]
