"""What is known while a run is measured is told now and then, and grows."""

from __future__ import annotations

import numpy as np
from invented import invent_strikes

from toneapp.desktop.growing_run import GrowingRun
from toneapp.library import Instrument
from toneapp.results import RunResult


def test_it_tells_at_most_once_a_second_and_everything_so_far() -> None:
    told: list[RunResult] = []
    now_s = [0.0]
    run = GrowingRun(Instrument(name="Old upright"), told.append, clock_s=lambda: now_s[0])
    strikes = invent_strikes(np.random.default_rng(1))
    for number, strike in enumerate(reversed(strikes)):  # in any order
        now_s[0] = 0.1 * number
        run.take([strike])
    assert 5 <= len(told) <= 8  # 7.4 s went by
    counts = [len(result.strikes) for result in told]
    assert counts == sorted(counts)
    onsets = [strike.onset_s for strike in told[-1].strikes]
    assert onsets == sorted(onsets)
    assert run.result().notes[0].strikes == 3
    assert run.result().problems == ("the run is still being measured",)


def test_nothing_heard_yet_is_no_error() -> None:
    empty = GrowingRun(Instrument(name="Old upright"), lambda _result: None).result()
    assert empty.notes == ()
    assert empty.duration_s == 0.0
