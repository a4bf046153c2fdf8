"""Builds the library: invented results, and sound that fits them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import soundfile
from invented import RATE_HZ, Measures, invent_strikes, join, leaking

from toneapp._typing import FloatArray
from toneapp.library import (
    Instrument,
    InstrumentKind,
    KeyMeasurement,
    Library,
    Run,
)
from toneapp.pitch import midi_to_hz
from toneapp.results import Cause, RunResult, StrikeResult

TODAY = date(2024, 6, 10)

HOSTILE = {
    "script": "<script>alert('A')</script>",
    "formula": "=cmd|' /c calc'!A0 \"quoted\" & #let x = 1 $y$ *z* `code` \\ [link](http://x.invalid)",
    "right_to_left": "פסנתר כנף \u202eevil\u202c العربية",
    "emoji": "Grand 😀 \U0001f3b9 \U0001f468\u200d\U0001f469\u200d\U0001f467",
    "long": "Longname" * 62 + "End.",
    "words": "long name of many words " * 20,
}

SUSTAIN_GAIN = 1.6
"""How much longer the grand of run 3 keeps sounding than the upright of run 1."""


def sound_of(strikes: list[StrikeResult], *, draw: int, gain: float) -> FloatArray:
    """Decaying tones of five partials where the strikes say."""
    rng = np.random.default_rng(draw)
    last_s = max(strike.end_s for strike in strikes) + 0.5
    sound = 1e-4 * rng.standard_normal(int(last_s * RATE_HZ))
    for strike in strikes:
        start = round(strike.onset_s * RATE_HZ)
        time_s = np.arange(round((strike.end_s - strike.onset_s) * RATE_HZ)) / RATE_HZ
        decay_s = (strike.prompt_t60_s or 1.0) / 6.9
        tone = np.zeros(time_s.size)
        for n in range(1, 6):
            hz = n * midi_to_hz(strike.midi)
            if hz < 0.45 * RATE_HZ:
                tone += (
                    np.sin(2 * np.pi * hz * time_s + n) * np.exp(-time_s * n / decay_s) / n**1.5
                )
        level = 10.0 ** (((strike.level_db or -20.0) + 4.0) / 20.0)
        sound[start : start + tone.size] += gain * level * tone
    return np.clip(sound, -0.999, 0.999)


def _run(
    library: Library, folder: Path, run: Run, result: RunResult, *, draw: int, gain: float = 1.0
) -> Run:
    path = folder / f"run-{draw}.flac"
    sound = sound_of(list(result.strikes), draw=draw, gain=gain)
    soundfile.write(path, sound, RATE_HZ, subtype="PCM_24")
    made = library.runs.add(run, path)
    library.measuring.measure(made.id, Measures(result))
    return made


def build_workshop(library: Library, folder: Path) -> None:
    """Four instruments and five runs; see the fixture."""
    facts = {
        "place": "Workshop", "microphone": "On a stand", "distance_m": 1.5, "gain_note": "12 dB",
    }  # fmt: skip
    keys = tuple(range(36, 90))
    upright = library.instruments.add(
        Instrument(name="Old upright", maker="Invented works", year="1911", last_damper_midi=89)
    )
    grand = library.instruments.add(
        Instrument(name="Small grand", kind=InstrumentKind.GRAND, last_damper_midi=89)
    )
    hostile = library.instruments.add(
        Instrument(
            name=HOSTILE["script"], maker=HOSTILE["formula"], model=HOSTILE["right_to_left"],
            serial=HOSTILE["emoji"], owner=HOSTILE["long"], last_damper_midi=89,
        )
    )  # fmt: skip
    longest = library.instruments.add(Instrument(name=HOSTILE["long"], last_damper_midi=89))
    layout = upright.layout()
    rng = np.random.default_rng(7)
    faults = {50: 0.6, 57: -0.55, 63: 0.7, 69: -0.6, 76: 0.55}
    before = invent_strikes(rng, midis=keys, bright=faults, unevenness_oct=0.03)
    before = [leaking(s, 55, Cause.OTHER_DAMPER) if s.midi == 48 else s for s in before]
    after = invent_strikes(rng, midis=keys, unevenness_oct=0.03)
    singing = [
        replace(s, sustain_20db_s=SUSTAIN_GAIN * (s.sustain_20db_s or 0.0))
        for s in invent_strikes(rng, midis=keys, unevenness_oct=0.03)
    ]
    other = invent_strikes(rng, midis=keys, unevenness_oct=0.05)
    runs = (
        (upright, Run(instrument_id=1, condition="before refacing", **facts), before, 0.5),
        (upright, Run(instrument_id=1, condition="after refacing", **facts), after, 0.3),
        (grand, Run(instrument_id=2, condition="for sale", **facts), singing, 0.2),
        (
            hostile,
            Run(
                instrument_id=3, condition=HOSTILE["right_to_left"], place=HOSTILE["script"],
                microphone=HOSTILE["words"],
            ),
            other,
            0.4,
        ),
        (longest, Run(instrument_id=4, condition=HOSTILE["emoji"], **facts), other, 0.4),
    )  # fmt: skip
    for number, (_, run, strikes, gain) in enumerate(runs, 1):
        _run(
            library,
            folder,
            replace(run, recorded_at=f"2024-05-{number:02}"),
            join(strikes, layout=layout),
            draw=number,
            gain=gain,
        )
    library.worksheets.begin(upright.id, library.templates()["upright"])
    library.raise_items(1)
    library.weights.add(
        upright.id,
        [
            KeyMeasurement(midi=60, down_weight_g=52.0, up_weight_g=24.0, key_dip_mm=10.1),
            KeyMeasurement(midi=62, down_weight_g=50.0, up_weight_g=22.0),
        ],
        title="first sitting",
        measured_at="2024-05-01",
    )
