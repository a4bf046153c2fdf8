"""Recordings with known truth for whole runs, written once for all tests."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import soundfile

sys.path.insert(0, str(Path(__file__).parent))  # the modules beside the tests


def _load(name: str) -> ModuleType:
    """Load a module of tests/independent (tests are no package)."""
    if name not in sys.modules:
        path = Path(__file__).parents[1] / "independent" / f"{name}.py"
        spec = importlib.util.spec_from_file_location(name, path)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(scope="session")
def tones() -> ModuleType:
    """Tones, voices and knocks from formulas."""
    return _load("plain_tones")


@pytest.fixture(scope="session")
def write(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Write samples as a sound file in a folder of its own."""

    def _write(samples: np.ndarray, *, rate: int, name: str = "run.wav", **how: str) -> Path:
        path = tmp_path_factory.mktemp("sound") / name
        soundfile.write(path, samples, rate, **how)
        return path

    return _write


@pytest.fixture(scope="session")
def small_run(
    tones: ModuleType, write: Callable[..., Path]
) -> tuple[Path, list[tuple[int, float]]]:
    """A recording at 32 kHz of fourteen notes, two blows each, and what was played when."""
    rng = np.random.default_rng(50)
    blows = [
        tones.Struck(
            midi=midi, onset_s=0.6 + 1.3 * (2 * i + j), hold_s=0.9, level_db=-10.0 - 6.0 * j
        )
        for i, midi in enumerate(range(33, 89, 4))
        for j in range(2)
    ]
    x = tones.struck_run(blows, rate_hz=32000, rng=rng)
    path = write(x, rate=32000, name="small run.flac", subtype="PCM_16")
    return path, [(blow.midi, blow.onset_s) for blow in blows]
