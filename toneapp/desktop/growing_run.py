"""What is known of a run while it is still being measured?

Collects strikes as they come and now and then pools them into a result of its own kind: the notes
heard so far against a trend of them alone. The run itself replaces it in the end.

Classes: `GrowingRun`.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from toneapp.library import Instrument
from toneapp.results import RunResult, StrikeResult

__all__ = ["GrowingRun"]

SHOWN_EVERY_S = 1.0


class GrowingRun:
    """Gathers strikes and tells, not too often, what they amount to.

    Parameters
    ----------
    instrument : Instrument
        With the compass and breaks.
    tell : callable
        Called with the result so far.
    clock_s : callable
        Seconds that go on; another one for tests.
    """

    def __init__(
        self,
        instrument: Instrument,
        tell: Callable[[RunResult], None],
        *,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._instrument = instrument
        self._tell = tell
        self._clock_s = clock_s
        self._strikes: list[StrikeResult] = []
        self._told_s = clock_s()

    def take(self, strikes: Sequence[StrikeResult]) -> None:
        """Take some more strikes."""
        self._strikes += strikes
        now_s = self._clock_s()
        if now_s - self._told_s >= SHOWN_EVERY_S:
            self._tell(self.result())
            self._told_s = self._clock_s()  # judging takes its time too

    def result(self) -> RunResult:
        """Give what is known so far."""
        from toneapp.evenness import judge_evenness

        strikes = tuple(sorted(self._strikes, key=lambda strike: strike.onset_s))
        layout = self._instrument.layout()
        notes, evenness = judge_evenness(strikes, layout=layout)
        return RunResult(
            sample_rate_hz=0,
            duration_s=max((strike.end_s for strike in strikes), default=0.0),
            a4_reference_hz=self._instrument.a4_hz,
            strikes=strikes,
            notes=notes,
            evenness=evenness,
            compass=str(layout.compass),
            problems=("the run is still being measured",),
        )
