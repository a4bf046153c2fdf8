"""A library of an invented workshop with sound, made once for all tests of the sheets."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "library"))

from invented_workshop import TODAY, build_workshop

from toneapp.library import Library, compare_instruments
from toneapp.sheets import (
    Letterhead,
    Sheet,
    SheetSettings,
    comparison_sheet,
    make_change,
    make_clips,
    make_comparison,
    run_sound,
)


@pytest.fixture(scope="session")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Library]:
    """Runs 1 and 2: an upright before and after; 3: a grand that sings on; 4, 5: hostile words."""
    folder = tmp_path_factory.mktemp("workshop")
    with Library(folder / "library") as library:
        build_workshop(library, folder)
        yield library


@pytest.fixture(scope="session")
def today() -> date:
    return TODAY


@pytest.fixture(scope="session")
def settings() -> SheetSettings:
    return SheetSettings(
        letterhead=Letterhead(
            workshop="Workshop by the river",
            address=("1 River Lane", "Invented Town"),
            contact="telephone 000",
        )
    )


@pytest.fixture(scope="session")
def comparison(workshop: Library, settings: SheetSettings) -> Sheet:
    return make_comparison(workshop, [1, 3], settings, today=TODAY, has_sound=True)


@pytest.fixture(scope="session")
def change(workshop: Library, settings: SheetSettings) -> Sheet:
    return make_change(workshop, 1, 2, settings, today=TODAY, has_sound=True)


@pytest.fixture(scope="session")
def hostile(workshop: Library, settings: SheetSettings) -> Sheet:
    return make_comparison(workshop, [4, 3, 5], settings, today=TODAY, has_sound=True)


@pytest.fixture(scope="session")
def six_runs(workshop: Library, settings: SheetSettings) -> Sheet:
    """The most that a comparison takes; the sixth sounds as the first."""
    items = [workshop.run_with_result(run_id) for run_id in (1, 2, 3, 4, 5)]
    sounds = [run_sound(workshop, item) for item in (*items, items[0])]
    sixth = replace(
        items[0],
        run=replace(items[0].run, id=6),
        instrument=replace(items[0].instrument, id=6, name="The sixth"),
    )
    return comparison_sheet(
        compare_instruments([*items, sixth]), settings, today=TODAY, clips=make_clips(sounds)
    )
