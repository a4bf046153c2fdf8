"""High partials placed by the lines after a key's own release, on tables made by hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from toneapp.measure.echo_strings import (
    StringTable,
    build_strings,
    with_leaking_lines,
    with_own_lines,
)
from toneapp.measure.ringing import RingLine
from toneapp.results import PartialResult, StrikeResult

B = 4e-4
LAST_DAMPER = 89
MEASURED = 20


def hz_of(midi: int, n: int = 1) -> float:
    """Fletcher's series (J. Acoust. Soc. Am. 36, 203, 1964) through equal temperament."""
    f1 = 440.0 * 2.0 ** ((midi - 69) / 12.0)
    return n * f1 * math.sqrt((1 + B * n * n) / (1 + B))


def off_law_hz(midi: int, n: int) -> float:
    """As a wound string: above partial 20 each lies 0.8 cents farther below the law."""
    return hz_of(midi, n) * 2.0 ** (-0.8 * max(n - MEASURED, 0) / 1200.0)


def line(hz: float, *, is_clean: bool = True) -> RingLine:
    return RingLine(
        hz=hz, hz_se=0.03, level_db=-40.0, t60_s=2.5, t60_s_se=0.2, above_db=20.0,
        is_clean=is_clean,
    )  # fmt: skip


@pytest.fixture(scope="module")
def strings() -> StringTable:
    table = build_strings(
        [
            StrikeResult(
                midi=midi, note="", onset_s=0.0, end_s=1.0, f1_hz=hz_of(midi),
                f0_hz=hz_of(midi) / math.sqrt(1 + B), B=B,
                partials=tuple(
                    PartialResult(n=n, hz=hz_of(midi, n), level_db=-20.0)
                    for n in range(1, MEASURED + 1)
                ),
            )
            for midi in range(24, 60)
        ]
    )  # fmt: skip
    assert table is not None
    return table


def moved(strings: StringTable, midi: int, lines: Sequence[RingLine]) -> StringTable:
    return with_own_lines(strings, [(midi, lines)], last_damper_midi=LAST_DAMPER)


def placed(strings: StringTable, *own: tuple[int, Sequence[RingLine]]) -> StringTable:
    return with_leaking_lines(strings, own, last_damper_midi=LAST_DAMPER)


def test_what_a_string_without_a_damper_explains_places_no_other(strings: StringTable) -> None:
    # Partial 3 of C#1 seems to lie 0.3 Hz lower, where the first of a free string rings.
    free = replace(strings, partial_hz=strings.partial_hz.copy())
    line_hz = hz_of(25, 3) - 0.3
    free.partial_hz[30, 1] = line_hz
    own = (25, [line(line_hz)])
    kept = with_leaking_lines(free, [own], last_damper_midi=int(free.midi[29]))
    assert kept.partial_hz[1, 3] == free.partial_hz[1, 3]
    moved_on = with_leaking_lines(free, [own], last_damper_midi=int(free.midi[30]))
    assert moved_on.partial_hz[1, 3] == pytest.approx(line_hz)


def test_a_free_string_is_not_climbed_upon(strings: StringTable) -> None:
    next_hz = hz_of(25, MEASURED + 1)
    free = replace(strings, partial_hz=strings.partial_hz.copy())
    free.partial_hz[30, 2] = next_hz
    own = [(25, [line(next_hz)])]
    kept = with_own_lines(free, own, last_damper_midi=int(free.midi[29]))
    assert not kept.is_measured[1, MEASURED + 1]
    climbed = with_own_lines(free, own, last_damper_midi=int(free.midi[30]))
    assert climbed.is_measured[1, MEASURED + 1]


def test_partials_that_leave_their_law_are_followed(strings: StringTable) -> None:
    # 22 cents off at partial 48: far more than a string may differ from its own partial.
    midi = 25
    table = moved(strings, midi, [line(off_law_hz(midi, n)) for n in range(21, 49)])
    row = midi - int(table.midi[0])
    assert table.distance_cents(off_law_hz(midi, 48), midi) < 0.1
    assert strings.distance_cents(off_law_hz(midi, 48), midi) > 10.0
    assert np.all(table.is_measured[row, 1:49])
    assert not table.is_measured[row, 49]
    # The next that was not heard is expected as far off as the last that was.
    expected = hz_of(midi, 49) * 2.0 ** (-0.8 * 28 / 1200.0)
    assert table.partial_hz[row, 49] == pytest.approx(expected, rel=1e-6)


def test_a_gap_in_the_lines_is_bridged(strings: StringTable) -> None:
    numbers = [n for n in range(21, 41) if n not in (24, 25, 32)]
    table = moved(strings, 25, [line(off_law_hz(25, n)) for n in numbers])
    assert table.distance_cents(off_law_hz(25, 40), 25) < 0.1
    assert not table.is_measured[25 - int(table.midi[0]), 24]


def test_measured_partials_are_kept(strings: StringTable) -> None:
    table = moved(strings, 25, [line(hz_of(25, n) * 1.002) for n in range(1, 21)])
    assert np.array_equal(table.partial_hz[1, : MEASURED + 1], strings.partial_hz[1, :21])


def test_lines_of_other_strings_move_nothing(strings: StringTable) -> None:
    between = [line(math.sqrt(hz_of(25, n) * hz_of(25, n + 1))) for n in range(20, 40)]
    table = moved(strings, 25, between)
    assert np.array_equal(table.partial_hz, strings.partial_hz)
    assert np.array_equal(table.is_measured, strings.is_measured)


def test_only_clean_lines_count(strings: StringTable) -> None:
    table = moved(strings, 25, [line(off_law_hz(25, n), is_clean=False) for n in range(21, 49)])
    assert np.array_equal(table.partial_hz, strings.partial_hz)


def test_a_leaking_string_is_placed_by_what_rings_on(strings: StringTable) -> None:
    # A short hold told partial 3 by 0.3 Hz too high: 5 cents at 104 Hz. What rings on is exact.
    true_hz = hz_of(25, 3) - 0.3
    table = placed(strings, (25, [line(true_hz), line(hz_of(25, 30))]))
    assert table.partial_hz[1, 3] == pytest.approx(true_hz)
    assert table.is_measured[1, 30]
    assert np.array_equal(table.partial_hz[1, 4:30], strings.partial_hz[1, 4:30])
    assert np.array_equal(np.delete(table.partial_hz, 1, axis=0),
                          np.delete(strings.partial_hz, 1, axis=0))  # fmt: skip


def test_a_line_too_far_off_is_another_string(strings: StringTable) -> None:
    far = [line(hz_of(25, 3) + 0.8), line(hz_of(25, 30) * 2.0 ** (15.0 / 1200.0))]
    table = placed(strings, (25, far))
    assert np.array_equal(table.partial_hz, strings.partial_hz)
    unclean = [line(hz_of(25, 3) - 0.3, is_clean=False)]
    assert np.array_equal(
        placed(strings, (25, unclean), (100, [line(440.0)])).partial_hz,
        strings.partial_hz,
    )


def test_other_keys_and_the_table_itself_are_not_changed(strings: StringTable) -> None:
    kept = strings.partial_hz.copy()
    table = moved(strings, 25, [line(off_law_hz(25, n)) for n in range(21, 49)])
    assert np.array_equal(strings.partial_hz, kept)
    assert np.array_equal(np.delete(table.partial_hz, 1, axis=0), np.delete(kept, 1, axis=0))


def test_a_key_outside_the_table_is_passed_over(strings: StringTable) -> None:
    table = moved(strings, 100, [line(2637.0)])
    assert np.array_equal(table.partial_hz, strings.partial_hz)


def test_the_lowest_partials_alone_can_be_asked_for(strings: StringTable) -> None:
    assert strings.distance_cents(hz_of(40, 3), 40, most=3) < 1e-6
    assert strings.distance_cents(hz_of(40, 3), 40, most=2) > 600.0
