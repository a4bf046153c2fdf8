"""Leaking dampers and echo strings of whole runs, put together by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from ringon_kit import LAST_DAMPER, after, hz_of, judged, leaking, measured, whole_run

from toneapp.analysis.ringon import judge_ringing
from toneapp.analysis.ringon_leaks import leaky_by_own_strikes
from toneapp.analysis.ringon_run import read_run
from toneapp.analysis.strike import MeasuredStrike
from toneapp.keyboard import KeyboardLayout
from toneapp.measure.ringing import RingLine
from toneapp.results import Cause, Flag


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


def test_a_free_string_an_octave_above_makes_no_damper_leak() -> None:
    # A long hold has died away so far that the free string is as loud as what the key held.
    lines = ((hz_of(79, 2), -38.0, 6.0),)
    held = measured(79, t60_s=2.9, level_db=-6.9, lines=lines)
    results, ring_on = judged(whole_run(k79=held, **after((67, 72), hz_of(79, 2), -47.0)))
    assert ring_on is not None
    assert ring_on.suspects == ()
    assert {echo.cause for result in results.values() for echo in result.ringing} == {
        Cause.UNDAMPED
    }
    own = ((hz_of(79), -14.0, 2.5), (hz_of(79, 2), -20.0, 2.5))
    _, ring_on = judged(whole_run(k79=measured(79, t60_s=2.9, level_db=-6.9, lines=own)))
    assert ring_on is not None
    assert [suspect.midi for suspect in ring_on.suspects] == [79]


@pytest.mark.parametrize("tail_s", [1.4, 0.6])
def test_a_level_that_a_free_string_holds_up_makes_no_leak_certain(tail_s: float) -> None:
    # After the longer tail a clean line of its own is asked for; after any, one that is not lent.
    def certain(*lines: tuple[float, float, float]) -> frozenset[int]:
        held = measured(79, t60_s=2.9, level_db=-6.9, lines=lines)
        items = [
            replace(item, result=replace(result, end_s=(result.release_s or 0.0) + tail_s))
            for item in whole_run(k79=held)
            if (result := item.result)
        ]
        return leaky_by_own_strikes(
            read_run(items, layout=KeyboardLayout(last_damper_midi=LAST_DAMPER))
        )

    free = (hz_of(79, 2), -38.0, 6.0)
    assert certain(free) == frozenset()
    assert certain((hz_of(79), -30.0, 2.5), free) == frozenset({79})


def test_the_worst_damper_comes_first() -> None:
    lines = tuple(
        (hz_of(70, n), -28.0 - 3.0 * n, t60) for n, t60 in ((1, 0.66), (2, 0.66), (3, 0.58))
    )
    slow = measured(70, t60_s=0.7, level_db=-28.0, lines=lines)
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


def test_a_damper_that_leaks_a_little_is_known_by_what_others_hear() -> None:
    # 21 dB down 0.3 s after its own release: a string that shares a partial may do as much.
    lines = ((hz_of(64), -19.0, 1.3), (hz_of(64, 2), -24.0, 1.1))
    weak = measured(64, t60_s=0.7, level_db=-21.0, lines=lines)
    heard = after((43, 47), hz_of(64), -40.0) | after((53, 57), hz_of(64, 2), -40.0)
    results, ring_on = judged(whole_run(k64=weak, **heard))
    assert ring_on is not None
    assert ring_on.suspects[0].midi == 64
    assert ring_on.suspects[0].heard_from == (43, 47, 53, 57)
    assert {echo.cause for echo in results[64].ringing} == {Cause.OWN_DAMPER}
    alone, _ = judged(whole_run(k64=weak))
    assert alone[64].ringing == ()


def test_a_leak_an_octave_and_a_fifth_above_another_is_found_beside_it() -> None:
    # The first partials of E4 lie within 3 cents of partials 3 and 6 of A2, which leaks too. Its
    # level after the release is that of its neighbours.
    lines = tuple((hz_of(64, n), -19.0 - 3.0 * n, 1.2) for n in (1, 2, 3, 4, 5))
    heard = after((52, 57, 76), hz_of(64, 2), -38.0)
    low_lines = tuple((hz_of(45, n), -12.0 - 2.0 * n, 2.5) for n in range(1, 8))
    low = measured(45, t60_s=2.2, level_db=-9.0, lines=low_lines)
    results, ring_on = judged(whole_run(k45=low, k64=measured(64, lines=lines), **heard))
    assert {suspect.midi for suspect in ring_on.suspects} == {45, 64}  # type: ignore[attr-defined]
    assert Cause.OWN_DAMPER in {echo.cause for echo in results[64].ringing}


def test_a_key_that_rings_at_every_second_partial_only_is_lent_them() -> None:
    # C5 leaks. Its partials lie at the second and fourth of C4, whose first and third stop.
    high = measured(72, level_db=-30.0, lines=tuple(
        (hz_of(72, n), -18.0 - 3.0 * n, 1.3) for n in (1, 2, 3, 4)
    ))  # fmt: skip
    low = measured(60, lines=((hz_of(72, 1), -20.0, 1.3), (hz_of(72, 2), -30.0, 1.2)))
    heard = after((53, 65, 79), hz_of(72), -36.0)
    results, ring_on = judged(whole_run(k72=high, k60=low, **heard))
    assert [suspect.midi for suspect in ring_on.suspects] == [72]  # type: ignore[attr-defined]
    assert {(echo.midi, echo.cause) for echo in results[60].ringing} == {(72, Cause.OTHER_DAMPER)}


def test_a_mode_of_the_room_at_one_partial_is_no_string() -> None:
    # 220 Hz dies slowly after every key that reaches it, A3 among them, whose other partials stop.
    heard = after((41, 45, 50, 53, 62), hz_of(57), -30.0)
    own = measured(57, t60_s=0.7, level_db=-29.0, lines=((hz_of(57), -16.0, 1.3),))
    results, ring_on = judged(whole_run(k57=own, **heard))
    assert ring_on.suspects == ()  # type: ignore[attr-defined]
    assert not any(echo.midi == 57 for result in results.values() for echo in result.ringing)


def test_lines_that_scatter_about_a_partial_are_no_string() -> None:
    # What the room leaves of partials near 349 Hz: each after another key at another frequency.
    own = measured(65, t60_s=0.8, level_db=-29.0, lines=((hz_of(65, 3), -37.0, 0.64),))
    places = {43: -0.9, 46: 0.8, 53: -0.5, 58: 0.6, 77: -0.7}
    heard = {
        f"k{midi}": measured(midi, lines=((hz_of(65) + off, -31.0, 0.8),))
        for midi, off in places.items()
    }
    results, ring_on = judged(whole_run(k65=own, **heard))
    assert ring_on.suspects == ()  # type: ignore[attr-defined]
    assert not any(result.ringing for result in results.values())


def test_a_leaking_string_that_was_not_struck_is_known_by_what_others_hear() -> None:
    first = after((43, 48, 53, 55, 62), hz_of(67), -32.0)
    heard = first | after((60, 72, 76, 79), hz_of(67, 2), -36.0)
    items = [item for item in whole_run(**heard) if item.result.midi != 67]
    _, ring_on = judged(items)
    (suspect,) = ring_on.suspects  # type: ignore[attr-defined]
    assert (suspect.midi, suspect.damped_t60_s) == (67, None)
    assert {43, 48, 53, 60, 62, 72} <= set(suspect.heard_from)


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
    assert ring_on.suspects == ()
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


def test_the_softer_string_of_a_unison_may_vouch_for_the_louder() -> None:
    # The loudest line at G6 dies nearly as fast as the room; the one beside it does not.
    lines = ((hz_of(91), -35.0, 0.62), (hz_of(91) + 0.8, -42.0, 2.5))
    results, _ = judged(whole_run(k60=measured(60, lines=lines)))
    assert [echo.midi for echo in results[60].ringing] == [91]
    results, _ = judged(whole_run(k60=measured(60, lines=lines[:1])))
    assert results[60].ringing == ()


def test_an_undamped_string_is_told_by_the_line_that_surely_rings() -> None:
    # Louder, and nearly as short as the room, lies the rest of the struck note's own partial.
    lines = ((hz_of(91), -35.0, 0.62), (hz_of(91) + 2.2, -42.0, 2.5))
    results, _ = judged(whole_run(k60=measured(60, lines=lines)))
    assert [(echo.midi, echo.level_db) for echo in results[60].ringing] == [(91, -42.0)]


def test_two_leaking_strings_that_one_line_cannot_part_are_both_told() -> None:
    # Partial 3 of C2 and the first of G3 lie 0.5 Hz apart: within a second they are one.
    assert abs(hz_of(36, 3) - hz_of(55)) == pytest.approx(0.54, abs=0.02)
    heard = measured(43, lines=((hz_of(36, 3), -35.0, 2.4),))
    results, _ = judged(whole_run(k36=leaking(36), k55=leaking(55), k43=heard))
    assert {echo.midi for echo in results[43].ringing} == {36, 55}
    assert {echo.cause for echo in results[43].ringing} == {Cause.OTHER_DAMPER}
    alone, _ = judged(whole_run(k36=leaking(36), k43=heard))
    assert {echo.midi for echo in alone[43].ringing} == {36}


def test_a_high_partial_of_a_leaking_string_is_heard_where_it_rang_itself() -> None:
    high = hz_of(45, 12)
    heard = measured(61, lines=((high, -35.0, 2.4),))
    low = leaking(45)
    results, _ = judged(whole_run(k45=low, k61=heard))
    assert {echo.cause for echo in results[61].ringing} == {Cause.NO_KEY}
    rang = replace(low, lines=(*low.lines, replace(low.lines[0], hz=high, level_db=-40.0)))
    results, _ = judged(whole_run(k45=rang, k61=heard))
    assert [(echo.midi, echo.partial) for echo in results[61].ringing] == [(45, 12)]


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


def test_many_rests_tell_the_room_by_the_middle_one() -> None:
    # After every release three rests of the note itself, unclean: 0.6, 0.9 and 1.2 s.
    items = []
    for midi in range(40, 100):
        item = measured(midi, room_t60_s=1.0)
        rests = tuple(
            RingLine(hz=hz_of(midi, n), hz_se=0.1, level_db=-40.0, t60_s=t60_s, t60_s_se=0.02,
                     above_db=14.0)
            for n, t60_s in ((3, 0.6), (4, 0.9), (5, 1.2))
        )  # fmt: skip
        items.append(replace(item, lines=rests) if item.hears_release else item)
    _, ring_on = judged(items)
    assert ring_on is not None
    assert ring_on.room_t60_s == pytest.approx(0.9)


def test_two_strikes_do_not_tell_the_room() -> None:
    # Many partials each: they tell of two notes all the same.
    def items(*keys: int) -> list[MeasuredStrike]:
        return [replace(measured(midi), tails_t60_s=(0.9,) * 10) for midi in keys]

    _, ring_on = judged(items(60, 64))
    assert ring_on is not None
    assert ring_on.room_t60_s is None
    _, ring_on = judged(items(60, 62, 64, 66))
    assert ring_on is not None
    assert ring_on.room_t60_s == pytest.approx(0.9)
