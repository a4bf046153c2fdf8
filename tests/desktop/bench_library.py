"""A small library of an invented instrument, before and after work, simulated and measured."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from toneapp import analysis
from toneapp.audio import write_sound
from toneapp.keyboard import Compass
from toneapp.library import Instrument, KeyMeasurement, Library, Run
from toneapp.simulate import Faults, Room, chromatic_plan, make_piano, prepare

COMPASS = Compass.parse("F3-B4")
LAST_DAMPER = 65  # F4: the four highest keys have none
HARD, SOFT, QUIET, LEAKING = 58, 63, 67, 60
HOLD_S = 1.5

BEFORE = Faults(
    hardness_oct={HARD: 1.3, SOFT: -1.3}, level_db={QUIET: -9.0}, damper_strength={LEAKING: 0.02}
)
AFTER = Faults(hardness_oct={SOFT: -1.3}, level_db={QUIET: -9.0})


def measure(path, *, layout, a4_hz, order, labels, channel, calibration_db, progress):  # type: ignore[no-untyped-def]
    """Measuring core in the form the library takes it, in this process."""
    return analysis.analyse(
        path,
        layout=layout,
        a4_hz=a4_hz,
        order=order,
        labels=[
            analysis.GivenLabel(
                onset_s=item.onset_s,
                midi=item.midi,
                exact_onset_s=item.exact_onset_s,
                release_s=item.release_s,
            )
            for item in labels
        ],
        channel=channel,
        calibration_db=calibration_db,
        jobs=1,
        progress=progress,
    )


def build_library(folder: Path) -> Library:
    """Simulate, take in and measure both runs: run 1 is before the work, run 2 after it."""
    library = Library(folder / "library")
    instrument = library.instruments.add(
        Instrument(
            name="Old upright", maker="Invented", compass=COMPASS, last_damper_midi=LAST_DAMPER
        )
    )
    for condition, faults, played in (
        ("before the hammers", BEFORE, 11),
        ("after the hammers", AFTER, 12),
    ):
        piano = make_piano(
            np.random.default_rng(4), kind="upright", compass=COMPASS,
            last_damper_midi=LAST_DAMPER, hardness_scatter_oct=0.04, level_scatter_db=0.3,
            faults=faults,
        )  # fmt: skip
        rng = np.random.default_rng(played)
        blows = chromatic_plan(
            COMPASS, rng=rng, dynamics=("soft", "medium", "firm"), hold_s=HOLD_S, gap_s=1.0
        )
        performance = prepare(piano, blows, Room(t60_s=0.35, snr_db=58.0), rng=rng)
        sound = folder / f"{condition}.flac"
        write_sound(
            sound, performance.blocks(), sample_rate_hz=performance.sample_rate_hz, bits=24
        )
        run = library.runs.add(
            Run(
                instrument_id=instrument.id, condition=condition, place="workshop",
                microphone="one", gain_note="middle",
                recorded_at=f"2024-05-{played}T10:00:00",
            ),
            sound,
        )  # fmt: skip
        library.measuring.measure(run.id, measure)
    library.weights.add(
        instrument.id,
        [
            KeyMeasurement(
                midi=midi, down_weight_g=50.0 + midi % 5, up_weight_g=22.0 + midi % 3,
                key_dip_mm=10.0,
            )
            for midi in COMPASS
            if midi != 61
        ],
        title="before",
    )  # fmt: skip
    return library
