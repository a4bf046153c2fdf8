"""Invented runs for the tests of the library: sounds, results, a stand-in for the measures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile

from toneapp.evenness import judge_evenness
from toneapp.keyboard import KeyboardLayout
from toneapp.library import StrikeLabel
from toneapp.pitch import midi_to_hz, note_name
from toneapp.results import (
    Cause,
    EchoString,
    PartialResult,
    RunResult,
    StrikeResult,
)

RATE_HZ = 48_000


def write_noise(path: Path, *, seconds: float = 0.2, key: int = 0, channels: int = 1) -> Path:
    """A short sound that differs with `key`."""
    rng = np.random.default_rng(key)
    samples = 0.1 * rng.standard_normal((int(seconds * RATE_HZ), channels))
    soundfile.write(path, np.clip(samples, -1, 1), RATE_HZ, subtype="PCM_24")
    return path


def invent_strikes(
    rng: np.random.Generator,
    *,
    midis: Sequence[int] = tuple(range(48, 73)),
    strikes: int = 3,
    unevenness_oct: float = 0.0,
    bright: dict[int, float] | None = None,
    gain_db: float = 0.0,
    partials: int = 2,
    hammers: dict[int, float] | None = None,
) -> list[StrikeResult]:
    """Strikes with a smooth trend, touch scatter, and what is wrong with single notes."""
    found = []
    onset_s = 0.5
    for midi in midis:
        own = (hammers or {}).get(midi, unevenness_oct * float(rng.standard_normal()))
        own += (bright or {}).get(midi, 0.0)
        for blow in range(strikes):
            blow_db = 4.0 * (blow - (strikes - 1) / 2) + float(rng.normal(0.0, 0.7))
            f1_hz = midi_to_hz(midi)
            found.append(
                StrikeResult(
                    midi=midi,
                    note=note_name(midi),
                    onset_s=round(onset_s, 3),
                    end_s=round(onset_s + 2.0, 3),
                    release_s=round(onset_s + 1.5, 3),
                    f0_hz=f1_hz,
                    f1_hz=f1_hz,
                    B=3e-4,
                    cents=float(rng.normal(0.0, 0.3)),
                    cents_se=0.2,
                    partials=tuple(_partial(rng, n, f1_hz * n) for n in range(1, partials + 1)),
                    prompt_t60_s=float(
                        8.0 * 2.0 ** (-(midi - 48) / 24) * np.exp(rng.normal(0, 0.03))
                    ),
                    sustain_20db_s=float(3.0 * np.exp(rng.normal(0, 0.03))),
                    damped_t60_s=0.3,
                    ring_level_db=-40.0 + float(rng.normal(0, 1.0)),
                    level_db=-20.0 + gain_db + blow_db,
                    brightness=2.2
                    - 0.02 * (midi - 48)
                    + own
                    + 0.06 * blow_db
                    + float(rng.normal(0.0, 0.02)),
                )
            )
            onset_s += 2.0
    return found


def _partial(rng: np.random.Generator, n: int, hz: float) -> PartialResult:
    """A partial with all that can be measured on one."""
    return PartialResult(
        n=n,
        hz=hz * (1.0 + float(rng.normal(0.0, 1e-4))),
        hz_se=abs(float(rng.normal(0.0, 0.01))),
        level_db=-20.0 - 3.0 * n + float(rng.normal(0.0, 2.0)),
        cents_from_fit=float(rng.normal(0.0, 0.5)),
        prompt_t60_s=8.0 * float(np.exp(rng.normal(0.0, 0.2))),
        after_t60_s=20.0 * float(np.exp(rng.normal(0.0, 0.2))),
        beat_hz=abs(float(rng.normal(0.5, 0.1))),
        beat_depth_db=abs(float(rng.normal(3.0, 1.0))),
    )


def invent_run(
    rng: np.random.Generator, *, layout: KeyboardLayout | None = None, **strikes: object
) -> RunResult:
    layout = layout or KeyboardLayout()
    return join(invent_strikes(rng, **strikes), layout=layout)  # type: ignore[arg-type]


def join(strikes: Sequence[StrikeResult], *, layout: KeyboardLayout) -> RunResult:
    notes, evenness = judge_evenness(strikes, layout=layout)
    played = {strike.midi for strike in strikes}
    return RunResult(
        sample_rate_hz=RATE_HZ,
        duration_s=1.0 + max((s.end_s for s in strikes), default=0.0),
        a4_reference_hz=440.0,
        strikes=tuple(strikes),
        notes=notes,
        evenness=evenness,
        missing=tuple(midi for midi in layout.compass if midi not in played),
        compass=str(layout.compass),
        noise_dbfs=-75.0,
        room_t60_s=0.4,
    )


def check_sentence(exc: Exception, word: str = "") -> None:
    """An error for the user is one line."""
    assert "\n" not in str(exc)
    assert word in str(exc)


def leaking(strike: StrikeResult, midi: int, cause: Cause) -> StrikeResult:
    echo = EchoString(
        midi=midi, partial=1, hz=midi_to_hz(midi), level_db=-35.0, cause=cause, t60_s=1.5
    )
    return replace(strike, ringing=(echo,))


class Measures:
    """Stands in for the measuring core: gives an invented run, obeying labels."""

    def __init__(self, run: RunResult | None = None) -> None:
        self.run = run or invent_run(np.random.default_rng(1))
        self.calls: list[dict[str, object]] = []

    def __call__(
        self,
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
        assert Path(path).exists()
        self.calls.append(
            {"path": Path(path), "order": order, "labels": list(labels), "channel": channel,
             "calibration_db": calibration_db, "a4_hz": a4_hz,
             "files": sorted(p.name for p in path.iterdir()) if Path(path).is_dir() else None}
        )  # fmt: skip
        progress(0.5)
        strikes = []
        for strike in self.run.strikes:
            near = [label for label in labels if abs(label.onset_s - strike.onset_s) < 0.15]
            if near and near[0].midi is None:
                continue
            if near:
                midi = near[0].midi
                strike = replace(strike, midi=midi, note=note_name(midi))
                if near[0].exact_onset_s is not None:
                    strike = replace(strike, onset_s=near[0].exact_onset_s)
                if near[0].release_s is not None:
                    strike = replace(strike, release_s=near[0].release_s)
            strikes.append(strike)
        return replace(
            join(strikes, layout=layout), source=Path(path).name, calibration_db=calibration_db
        )
