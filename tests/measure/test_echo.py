"""Which string a line belongs to, and why it rings, on tables of strings made by hand."""

from __future__ import annotations

import math

import pytest

from toneapp.measure.echo import OwnResidue, name_lines
from toneapp.measure.echo_strings import StringTable, build_strings
from toneapp.measure.ringing import RingLine
from toneapp.results import Cause, EchoString, PartialResult, StrikeResult

LAST_DAMPER = 88
B = 4e-4


def hz_of(midi: int, n: int = 1, *, cents: float = 0.0) -> float:
    """Partial of a string at equal temperament, with a stiffness that all strings share."""
    f1 = 440.0 * 2.0 ** ((midi - 69) / 12.0)
    return n * f1 * math.sqrt((1 + B * n * n) / (1 + B)) * 2.0 ** (cents / 1200.0)


def strike(midi: int, *, count: int = 12, cents: float = 0.0, b: float | None = B) -> StrikeResult:
    f1 = hz_of(midi, cents=cents)
    count = max(1, min(count, int(9000.0 / f1)))
    return StrikeResult(
        midi=midi, note="", onset_s=0.0, end_s=1.0, f1_hz=f1,
        f0_hz=f1 / math.sqrt(1 + B), B=b, series_residual_cents=0.5,
        partials=tuple(
            PartialResult(n=n, hz=hz_of(midi, n, cents=cents), level_db=-20.0)
            for n in range(1, count + 1)
        ),
    )  # fmt: skip


@pytest.fixture(scope="module")
def strings() -> StringTable:
    table = build_strings([strike(midi) for midi in range(21, 109)])
    assert table is not None
    return table


def line(
    hz: float,
    *,
    level_db: float = -30.0,
    t60_s: float = 2.5,
    hz_se: float = 0.02,
    t60_s_se: float = 0.05,
    is_clean: bool = False,
) -> RingLine:
    return RingLine(
        hz=hz, hz_se=hz_se, level_db=level_db, t60_s=t60_s, t60_s_se=t60_s_se, above_db=30.0,
        is_clean=is_clean,
    )  # fmt: skip


def named(
    strings: StringTable,
    *lines: RingLine,
    struck: int,
    leaky: tuple[int, ...] = (),
    usual_t60_s: float = 0.4,
    room_t60_s: float = 0.4,
) -> tuple[EchoString, ...]:
    return name_lines(
        lines,
        struck_midi=struck,
        strings=strings,
        last_damper_midi=LAST_DAMPER,
        leaky=leaky,
        own=OwnResidue(usual_t60_s=usual_t60_s, is_leaky=struck in leaky),
        room_t60_s=room_t60_s,
    )


# Building the table


def test_a_string_that_was_not_struck_is_placed_between_its_neighbours() -> None:
    table = build_strings([strike(60, cents=-4.0), strike(62, cents=4.0), strike(64)])
    assert table is not None
    assert table.midi.tolist() == [60, 61, 62, 63, 64]
    assert table.distance_cents(hz_of(61), 61) < 0.1
    assert table.distance_cents(hz_of(63, cents=2.0), 63) < 0.1
    assert table.sigma_cents[1] > table.sigma_cents[0]


def test_partials_are_taken_as_measured_where_they_were() -> None:
    odd = strike(60)
    pulled = PartialResult(n=2, hz=hz_of(60, 2, cents=7.0), level_db=-20.0)
    odd = StrikeResult(
        midi=60, note="", onset_s=0.0, end_s=1.0, f1_hz=odd.f1_hz, f0_hz=odd.f0_hz, B=odd.B,
        partials=(odd.partials[0], pulled, *odd.partials[2:]),
    )  # fmt: skip
    table = build_strings([odd, strike(62), strike(64)])
    assert table is not None
    assert table.distance_cents(hz_of(60, 2, cents=7.0), 60) < 0.01
    assert table.distance_cents(hz_of(60, 20), 60) < 0.5  # from the series


def test_too_few_notes_make_no_table() -> None:
    assert build_strings([strike(60), strike(61)]) is None
    assert build_strings([]) is None


def test_a_key_outside_the_table_is_infinitely_far(strings: StringTable) -> None:
    assert strings.distance_cents(440.0, 5) == float("inf")


# The three causes, and none


def test_an_undamped_string_answers(strings: StringTable) -> None:
    (echo,) = named(strings, line(hz_of(96)), struck=60)
    assert (echo.midi, echo.partial, echo.cause) == (96, 1, Cause.UNDAMPED)
    assert echo.cents_off == pytest.approx(0.0, abs=0.1)
    assert echo.level_db == -30.0
    assert echo.t60_s == 2.5


def test_another_damper_leaks(strings: StringTable) -> None:
    (echo,) = named(strings, line(hz_of(47, 5)), struck=61, leaky=(47,))
    assert (echo.midi, echo.partial, echo.cause) == (47, 5, Cause.OTHER_DAMPER)


def test_the_own_damper_leaks(strings: StringTable) -> None:
    (echo,) = named(strings, line(hz_of(50, 1)), line(hz_of(50, 3)), struck=50, leaky=(50,))
    assert (echo.midi, echo.cause) == (50, Cause.OWN_DAMPER)


def test_the_dying_rest_of_the_note_itself_is_left_out(strings: StringTable) -> None:
    rest = line(hz_of(50, 2), t60_s=0.48)
    assert named(strings, rest, struck=50) == ()


def test_a_slow_partial_under_a_sound_damper_is_no_other_string(strings: StringTable) -> None:
    # A damper felt on a node leaves one partial of the note itself; nothing else is near.
    assert named(strings, line(hz_of(50, 2), t60_s=1.2), struck=50) == ()


def test_the_room_at_a_free_strings_place_is_left_out(strings: StringTable) -> None:
    assert named(strings, line(hz_of(96), t60_s=0.5), struck=60) == ()


def test_a_strong_lasting_sound_of_no_key_is_told(strings: StringTable) -> None:
    between = hz_of(100, cents=50.0)
    (echo,) = named(strings, line(between, t60_s=2.0), struck=60)
    assert (echo.midi, echo.partial, echo.cause) == (None, None, Cause.NO_KEY)
    assert named(strings, line(between, t60_s=2.0, level_db=-50.0), struck=60) == ()
    assert named(strings, line(hz_of(60, cents=50.0), t60_s=2.0), struck=40) == ()


def test_too_weak_a_line_is_not_told(strings: StringTable) -> None:
    assert named(strings, line(hz_of(96), level_db=-59.0), struck=60) == ()


def test_a_high_partial_of_a_stiff_string_is_its_own(strings: StringTable) -> None:
    # Fletcher's series: partial 29 lies at 29 sqrt(1 + 4e-4 * 841) / sqrt(1 + 4e-4) = 33.5 f1.
    high = hz_of(30, 29)
    assert high / hz_of(30) == pytest.approx(33.51, abs=0.01)
    (echo,) = named(strings, line(high, t60_s=3.0), struck=30, leaky=(30,))
    assert (echo.midi, echo.partial, echo.cause) == (30, 29, Cause.OWN_DAMPER)


def test_a_leaking_string_outlasts_the_room(strings: StringTable) -> None:
    fast = line(hz_of(47, 5), t60_s=0.3)
    assert named(strings, fast, struck=61, leaky=(47,)) == ()


def test_a_free_string_whose_decay_is_unsure_is_left_out(strings: StringTable) -> None:
    unsure = line(hz_of(96), t60_s=0.8, t60_s_se=0.6)
    assert named(strings, unsure, struck=60) == ()
    assert named(strings, line(hz_of(96), t60_s=0.8), struck=60) != ()


# Telling neighbours apart


def test_clean_lines_two_hertz_apart_are_two_strings() -> None:
    # Both leak: partial 2 of F#1 and partial 1 of F#2, 2 Hz apart at 92.5 Hz. Each is told alone.
    apart_cents = 1200.0 * math.log2(1.0 + 2.0 / hz_of(42))
    table = build_strings(
        [strike(midi, cents=apart_cents if midi == 42 else 0.0) for midi in range(21, 109)]
    )
    assert table is not None
    lower = named(table, line(hz_of(30, 2), is_clean=True), struck=61, leaky=(30, 42))
    upper = named(
        table, line(hz_of(42, cents=apart_cents), is_clean=True), struck=61, leaky=(30, 42)
    )
    assert [echo.midi for echo in lower] == [30]
    assert [echo.midi for echo in upper] == [42]


def test_strings_that_one_line_cannot_part_are_both_told(strings: StringTable) -> None:
    # Partial 2 of F4 and partial 1 of F5 with the same stiffness: 1.04 cents, 0.4 Hz apart.
    found = named(strings, line(hz_of(65, 2), is_clean=True), struck=41, leaky=(65, 77))
    assert {echo.midi for echo in found} == {65, 77}
    assert {other.midi for other in found[0].alternatives} <= {65, 77}


@pytest.mark.parametrize("cents", [-2.0, 0.0, 2.0])
def test_a_string_of_a_unison_a_little_off_is_still_named(
    strings: StringTable, cents: float
) -> None:
    (echo,) = named(strings, line(hz_of(96, cents=cents)), struck=60)
    assert echo.midi == 96
    assert echo.cents_off == pytest.approx(cents, abs=0.1)


def test_a_leaking_bass_string_is_told_from_the_one_an_octave_up(strings: StringTable) -> None:
    # Partial 2 of the lower string lies 1.0 cents above partial 1 of the upper one.
    (echo, *_) = named(strings, line(hz_of(40, 2)), line(hz_of(40, 3)), struck=61, leaky=(40,))
    assert echo.midi == 40


def test_strings_that_meet_are_told() -> None:
    # Both free: partial 2 of F#6 against partial 1 of F#7, less than 3 cents apart.
    table = build_strings(
        [strike(midi, cents=1.0 if midi == 102 else 0.0) for midi in range(21, 109)]
    )
    assert table is not None
    found = named(table, line(hz_of(102, cents=1.0)), struck=66)
    heard = {echo.midi for echo in found}
    others = {other.midi for echo in found for other in echo.alternatives}
    assert found[0].midi == 102
    assert 90 in heard | others


def test_an_ambiguous_line_names_the_other_string() -> None:
    # Two leaking strings with a partial at the same place: 3 of C3 and 2 of G3, 2 cents apart.
    table = build_strings([strike(midi) for midi in range(40, 90)])
    assert table is not None
    middle = math.sqrt(hz_of(48, 3) * hz_of(55, 2))
    found = named(table, line(middle), struck=70, leaky=(48, 55))
    assert {48, 55} <= {e.midi for e in found} | {a.midi for e in found for a in e.alternatives}


def test_one_string_is_told_once_by_its_strongest_line(strings: StringTable) -> None:
    found = named(
        strings,
        line(hz_of(47, 1), level_db=-40.0),
        line(hz_of(47, 2), level_db=-28.0),
        line(hz_of(47, 5), level_db=-35.0),
        struck=61,
        leaky=(47,),
    )
    assert [(echo.midi, echo.partial, echo.level_db) for echo in found] == [(47, 2, -28.0)]


def test_the_loudest_comes_first(strings: StringTable) -> None:
    found = named(
        strings, line(hz_of(96), level_db=-45.0), line(hz_of(100), level_db=-25.0), struck=60
    )
    assert [echo.midi for echo in found] == [100, 96]


def test_what_lies_at_the_own_partial_is_no_far_partial_of_a_leak() -> None:
    # Two cents from the nearest partial of the bass string, none from the struck note's own.
    n = min(range(4, 11), key=lambda k: abs(1200 * math.log2(hz_of(43, k) / hz_of(79)) % 1200))
    hz = hz_of(79)
    off = 1200.0 * math.log2(hz / hz_of(43, n))
    near = hz_of(79, cents=-off + 2.0)
    moved = build_strings(
        [strike(m, cents=-off + 2.0 if m == 79 else 0.0) for m in range(21, 109)]
    )
    assert moved is not None
    assert named(moved, line(near, t60_s=1.0), struck=79, leaky=(43,)) == ()
    (echo,) = named(moved, line(hz_of(43, n)), struck=60, leaky=(43,))
    assert (echo.midi, echo.partial) == (43, n)


def test_a_far_partial_of_a_leaking_string_must_outlast_the_room(strings: StringTable) -> None:
    hz = hz_of(33, 11)
    assert named(strings, line(hz, t60_s=0.5), struck=58, leaky=(33,)) == ()
    (echo,) = named(strings, line(hz, t60_s=0.7), struck=58, leaky=(33,))
    assert (echo.midi, echo.partial) == (33, 11)
