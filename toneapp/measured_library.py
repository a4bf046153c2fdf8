"""The measuring core in the form in which the library takes it.

The library does not know the analysis, nor the analysis the library; whoever needs both (window,
command line) joins them here.

Functions: `analyse_with`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from toneapp.keyboard import KeyboardLayout
    from toneapp.library import Analyse, StrikeLabel
    from toneapp.results import RunResult, StrikeResult

__all__ = ["analyse_with"]


def analyse_with(
    jobs: int | None, on_strikes: Callable[[Sequence[StrikeResult]], None] | None = None
) -> Analyse:
    """Return the measuring core for `Measuring.measure`.

    Parameters
    ----------
    jobs : int or None
        Processes at work; None for as many as there are processors.
    on_strikes : callable, optional
        Called in the measuring thread with strikes as they are measured.
    """

    def measure(
        path: Path,
        *,
        layout: KeyboardLayout,
        a4_hz: float,
        order: str | None,
        labels: Sequence[StrikeLabel],
        channel: str,
        calibration_db: float | None,
        progress: Callable[[float], None],
    ) -> RunResult:
        from toneapp import analysis

        return analysis.analyse(
            path,
            layout=layout,
            a4_hz=a4_hz,
            order=order,
            labels=[
                analysis.GivenLabel(
                    onset_s=label.onset_s,
                    midi=label.midi,
                    exact_onset_s=label.exact_onset_s,
                    release_s=label.release_s,
                )
                for label in labels
            ],
            channel=channel,
            calibration_db=calibration_db,
            jobs=jobs,
            progress=progress,
            on_strikes=on_strikes,
        )

    return measure
