"""The example workshop is simulated, measured, and holds what it promises."""

from __future__ import annotations

from pathlib import Path

import pytest

from toneapp.desktop.example_workshop import EXAMPLE_RUNS, build_example
from toneapp.errors import Cancelled
from toneapp.keyboard import Compass
from toneapp.library import Library, Purpose
from toneapp.measured_library import analyse_with

FEW = Compass.parse("C3-B3")


def test_runs_appear_one_after_the_other(tmp_path: Path) -> None:
    told: list[int] = []
    shares: list[float] = []
    with Library(tmp_path) as library:
        numbers = build_example(
            library,
            analyse_with(1),
            progress=shares.append,
            on_run=told.append,
            runs=(EXAMPLE_RUNS[0], EXAMPLE_RUNS[2]),
            compass=FEW,
        )
        assert list(numbers) == told
        assert [run.purpose for run in library.runs.all()] == [Purpose.EVENNESS, Purpose.RING_ON]
        for number in numbers:
            result = library.measuring.result(number)
            assert result is not None
            assert {note.midi for note in result.notes} == set(FEW)
        upright, grand = (library.instruments.find(name) for name in ("upright", "grand"))
        assert library.worksheets.items(upright.id)
        assert library.weights.of_instrument(upright.id)[0].keys
        ring_on = library.run_with_result(numbers[1]).result.ring_on
        assert ring_on is not None
        leaking = {52, 59}  # within these keys
        assert leaking <= {suspect.midi for suspect in ring_on.suspects}
        assert grand.last_damper_midi == 88
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_a_stop_leaves_the_library_whole(tmp_path: Path) -> None:
    def stop(share: float) -> None:
        if share >= 0.0:
            raise Cancelled("stopped")

    with Library(tmp_path) as library:
        with pytest.raises(Cancelled):
            build_example(library, analyse_with(1), progress=stop, compass=FEW)
        assert library.instruments.all() == ()
        assert library.check() == ()


def test_the_same_instrument_is_heard_before_and_after() -> None:
    by_instrument: dict[str, list[bool]] = {}
    for run in EXAMPLE_RUNS:
        by_instrument.setdefault(run.instrument, []).append(run.is_after)
    assert list(by_instrument.values()) == [[False, True], [False, True]]
