"""What speaks for and against a leak, one sign at a time."""

from __future__ import annotations

from dataclasses import replace

import pytest
import ringon_kit
from ringon_kit import LAST_DAMPER, after, hz_of, judged, leaking, measured, whole_run

from toneapp.analysis.ringon_evidence import LeakEvidence
from toneapp.analysis.ringon_run import read_run
from toneapp.analysis.strike import MeasuredStrike
from toneapp.keyboard import KeyboardLayout
from toneapp.measure.ringing import RingLine
from toneapp.results import Cause


def leaks(midi: int, **strikes: MeasuredStrike) -> bool:
    """Tell whether a key's own damper is said to leak."""
    results, _ = judged(whole_run(**strikes))
    return any(echo.cause is Cause.OWN_DAMPER for echo in results[midi].ringing)


def doubtful(midi: int) -> MeasuredStrike:
    """A string that rings, not much louder than others', after its own blow."""
    lines = ((hz_of(midi), -19.0, 1.3), (hz_of(midi, 2), -26.0, 1.1))
    return measured(midi, level_db=-31.0, lines=lines)


def test_where_dampers_leak_others_are_likelier_to() -> None:
    # F#5, heard after four other keys at its first partial: a little too little by itself.
    strikes = {"k78": doubtful(78)} | after((54, 59, 61, 66), hz_of(78), -40.0)
    assert not leaks(78, **strikes)
    assert leaks(78, **strikes, **{f"k{midi}": leaking(midi) for midi in (38, 41, 44, 46)})


def test_after_short_gaps_what_lasts_three_times_as_long_as_the_room_rings() -> None:
    # No line is clean where half a second follows the release.
    def strike(ratio: float) -> MeasuredStrike:
        lines = tuple((hz_of(55, n), -16.0 - 2.0 * n, 0.4 * ratio) for n in range(1, 6))
        return measured(55, t60_s=0.8, level_db=-25.0, lines=lines, is_clean=False)

    assert leaks(55, k55=strike(3.4))
    assert not leaks(55, k55=strike(2.6))


def test_a_faint_line_that_is_lent_says_no_more_than_silence(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Without stiffness every partial of C5 is one of the leaking C4.
    monkeypatch.setattr(ringon_kit, "B", 1e-9)
    low = measured(60, t60_s=2.2, level_db=-9.0, lines=tuple(
        (hz_of(60, n), -12.0 - 2.0 * n, 2.5) for n in range(1, 11)
    ))  # fmt: skip
    first = ((hz_of(72), -19.0, 1.3),)
    faint = first + tuple((hz_of(72, n), -46.0, 1.2) for n in (4, 5))

    def sum_of(lines: tuple[tuple[float, float, float], ...]) -> float:
        high = measured(72, level_db=-31.0, lines=lines)
        layout = KeyboardLayout(last_damper_midi=LAST_DAMPER)
        run = read_run(whole_run(k60=low, k72=high), layout=layout)
        assert run.strings is not None
        return LeakEvidence(run, run.strings).weigh(72, {60})[1]

    assert sum_of(faint) == pytest.approx(sum_of(first))


def test_a_faint_line_counts_when_it_outlasts_the_room() -> None:
    def sum_of(*lines: tuple[float, float, float]) -> float:
        item = measured(55, level_db=-31.0, lines=((hz_of(55), -19.0, 1.3), *lines))
        layout = KeyboardLayout(last_damper_midi=LAST_DAMPER)
        run = read_run(whole_run(k55=item), layout=layout)
        assert run.strings is not None
        return LeakEvidence(run, run.strings).weigh(55, ())[1]

    def faint(t60_s: float) -> float:
        return sum_of((hz_of(55, 2), -51.0, t60_s))

    loud = sum_of((hz_of(55, 2), -40.0, 1.2))
    # With 0.62 s in a room of 0.4 s it may be the room's.
    assert loud > faint(1.2) > sum_of() + 1.0
    assert faint(1.2) > faint(0.62) > sum_of()


def test_a_room_that_lasts_longer_in_the_bass_is_no_string() -> None:
    # Rests of the struck notes' own partials: 0.5 s below 500 Hz, 0.4 s above.
    def rests(midi: int) -> MeasuredStrike:
        hz = hz_of(midi, 1 if midi % 2 else 2)
        t60_s = 0.5 if hz < 500.0 else 0.4
        return measured(midi, lines=((hz, -30.0, t60_s),), is_clean=False)

    room = {f"k{midi}": rests(midi) for midi in range(52, 82)}
    # The first two partials of A3 last 0.75 s, 1.2 times as long as the room there.
    low = tuple((hz_of(57, n), -16.0 - 2.0 * n, 0.75) for n in (1, 2))
    suspect = measured(57, t60_s=0.6, level_db=-25.0, lines=low)
    heard = {
        f"k{midi}": measured(midi, lines=((hz_of(57, n), -34.0, 0.75),))
        for midi, n in ((38, 1), (41, 1), (45, 1), (50, 1), (43, 2), (46, 2), (48, 2))
    }
    layout = KeyboardLayout(last_damper_midi=LAST_DAMPER)
    run = read_run(whole_run(**room), layout=layout)
    assert run.bass_rise == pytest.approx(1.25, rel=0.02)
    assert not leaks(57, **{**room, "k57": suspect, **heard})
    even = {key: measured(int(key[1:]), lines=((item.lines[0].hz, -30.0, 0.4),), is_clean=False)
            for key, item in room.items()}  # fmt: skip
    assert leaks(57, **{**even, "k57": suspect, **heard})


def test_a_string_is_not_heard_best_after_another_key(monkeypatch: pytest.MonkeyPatch) -> None:
    # Without stiffness two cents part F#5 and the third partial of B3.
    monkeypatch.setattr(ringon_kit, "B", 1e-9)
    # B3 rings at its second, third and fourth partials; the last two lie at F#5 and B5.
    own = tuple((hz_of(59, n), db, 1.2) for n, db in ((2, -27.0), (3, -30.0), (4, -33.0)))
    low = measured(59, level_db=-30.0, lines=own)
    heard = after((40, 52, 54), hz_of(59, 3), -42.0) | after((47, 64), hz_of(59, 4), -45.0)

    def sum_of(level_db: float) -> float:
        high = {
            f"k{midi}": measured(midi, lines=((hz_of(59, n), level_db, 1.2),))
            for midi, n in ((78, 3), (83, 4))
        }
        run = read_run(
            whole_run(k59=low, **heard, **high), layout=KeyboardLayout(last_damper_midi=88)
        )
        assert run.strings is not None
        return LeakEvidence(run, run.strings).weigh(59, ())[0]

    # Louder after F#5 and B5, as their first partials: theirs, and all that was heard there.
    assert sum_of(-40.0) > 0.0
    assert sum_of(-17.0) < 0.0
    assert sum_of(-40.0) - sum_of(-17.0) > 5.0


def test_of_two_octave_twins_the_one_leaks_whose_own_blow_is_louder(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # C#3 rings at its even partials only, the odd ones are too faint: those are C#4's as well.
    monkeypatch.setattr(ringon_kit, "B", 1e-9)

    def twins(lower_db: float, higher_db: float) -> LeakEvidence:
        def strike(midi: int, level_db: float) -> MeasuredStrike:
            # The lower one's sixth partial is the higher one's third.
            places = (1, 2, 3) if midi == 49 else (1, 2)
            lines = tuple((hz_of(61, n), level_db, 1.2) for n in places)
            return measured(midi, level_db=-31.0, lines=lines)

        heard = after((37, 54, 66), hz_of(61, 1), -41.0) | after((44, 56, 68), hz_of(61, 3), -40.0)
        layout = KeyboardLayout(last_damper_midi=LAST_DAMPER)
        both = {"k49": strike(49, lower_db), "k61": strike(61, higher_db)}
        run = read_run(whole_run(**heard, **both), layout=layout)
        assert run.strings is not None
        return LeakEvidence(run, run.strings)

    assert twins(-32.0, -45.0).find(()) == {49}
    assert twins(-36.0, -22.0).find(()) == {61}


def test_a_string_stands_where_the_nearest_line_is(monkeypatch: pytest.MonkeyPatch) -> None:
    # Without stiffness two cents part C6 and the third partial of F4. C6 leaks, and rings after
    # F4's blow louder and longer than F4's own third partial.
    monkeypatch.setattr(ringon_kit, "B", 1e-9)
    low = measured(65, level_db=-30.0, lines=(
        (hz_of(65), -25.0, 1.5), (hz_of(65, 3), -34.0, 0.6), (hz_of(84), -28.0, 1.8)
    ))  # fmt: skip
    high = measured(
        84, level_db=-31.0, lines=((hz_of(84), -19.0, 1.8), (hz_of(84, 2), -26.0, 1.5))
    )
    heard = after((48, 60, 72), hz_of(84), -40.0)
    layout = KeyboardLayout(last_damper_midi=LAST_DAMPER)
    run = read_run(whole_run(k65=low, k84=high, **heard), layout=layout)
    assert run.strings is not None
    evidence = LeakEvidence(run, run.strings)
    # F4, known to leak, does not explain what is C6's: only its own blow no longer tells of C6.
    assert evidence.weigh(84, {65})[1] == evidence.weigh(84, ())[1]
    assert evidence.weigh(84, {65})[0] > evidence.weigh(84, ())[0] - 1.0


def test_in_a_live_room_a_string_has_to_outlast_it_by_more() -> None:
    # A room of 0.4 s, heard after every fourth release by its fastest line, or after each by
    # three lines. E5 lasts 1.6 times as long, after its own blow and after five others.
    def leaks_where(count: int, rest_s: float, *, step: int) -> bool:
        lines = tuple((hz_of(76, n), -16.0 - 2.0 * n, 0.66) for n in (1, 2, 3))
        suspect = measured(76, t60_s=0.6, level_db=-25.0, lines=lines)
        items = {f"k{midi}": measured(midi) for midi in range(36, 89)}
        items |= {
            f"k{midi}": measured(midi, lines=((hz_of(76), -38.0, 0.66),))
            for midi in (52, 57, 64, 69, 83)
        }
        for midi in range(36, 89, step):
            item = items[f"k{midi}"]
            rests = tuple(
                RingLine(hz=hz_of(midi, n), hz_se=0.1, level_db=-40.0, t60_s=rest_s,
                         t60_s_se=0.02, above_db=14.0)
                for n in range(4, 4 + count)
            )  # fmt: skip
            items[f"k{midi}"] = replace(item, lines=(*item.lines, *rests))
        return leaks(76, **(items | {"k76": suspect}))

    assert leaks_where(1, 0.32, step=4)
    assert not leaks_where(3, 0.4, step=1)
