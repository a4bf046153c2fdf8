"""Damped decays beside strings that sound on without dampers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from ringon_kit import LAST_DAMPER, hz_of, measured, whole_run

from toneapp.analysis.damped_run import with_damped_decays
from toneapp.analysis.strike import MeasuredStrike
from toneapp.analysis.workers import Crew
from toneapp.keyboard import KeyboardLayout
from toneapp.signal.damped import DampedBands
from toneapp.signal.damped_grid import TIMES_S

RATE = 6.0 * np.log(10.0) / 2.0  # 1/s for a T60 of 1 s


def bands_of(midi: int, t60_s: tuple[float, ...], ring: float) -> DampedBands:
    """Partials that fall at once; beside the second one a free string goes on."""
    after = np.maximum(TIMES_S, 0.0)
    z = np.stack([np.exp(-RATE / t * after) for t in t60_s]).astype(np.complex128)
    z[1] = (1.0 - ring) * z[1] + ring
    count = len(t60_s)
    return DampedBands(
        z=z,
        hz=np.array([hz_of(midi, n) for n in range(1, count + 1)]),
        n=np.arange(1, count + 1),
        power=np.ones(count),
        noise=np.zeros(count, dtype=np.int64),
        half_width_hz=300.0,
    )


def damped_t60_s(
    item: MeasuredStrike, others_s: tuple[float, ...] = (0.2, 0.2, 0.2)
) -> float | None:
    """Damped T60 of C6 in a run of sound dampers, about 0.2 s."""
    items = [
        replace(other, damped=bands_of(other.result.midi, others_s, 0.0))
        if 60 <= other.result.midi <= LAST_DAMPER
        else other
        for other in whole_run(k84=item)
        if other.result.midi != 84
    ]
    items.append(item)
    with Crew(1) as crew:
        done = with_damped_decays(
            items, layout=KeyboardLayout(last_damper_midi=LAST_DAMPER), crew=crew
        )
    return next(d.result.damped_t60_s for d in done if d.result.midi == 84)


def test_a_partial_with_which_a_free_string_sounds_on_does_not_count() -> None:
    # C7 has no damper: its first partial goes on beside the second of C6.
    bands = bands_of(84, (0.2, 0.2, 0.2), 0.5)
    free = measured(84, lines=((hz_of(96), -12.0, 4.0),))
    told = damped_t60_s(replace(free, damped=bands))
    assert told is not None
    assert 0.14 < told < 0.28
    # What is not heard as a line of a free string counts: no other string is known to be there.
    # Where the partials of all keys die alike, one that goes on is odd; elsewhere it is not.
    silent = replace(measured(84), damped=bands)
    alike, unlike = damped_t60_s(silent), damped_t60_s(silent, (0.1, 0.2, 0.4))
    assert alike is not None
    assert alike < 1.2 * told
    assert unlike is None or unlike > 1.4 * told
