"""What a sheet can be made of, what is likely wanted, and what is still missing."""

from __future__ import annotations

from dataclasses import replace

import pytest
from window_kit import Workshop

from toneapp.desktop.sheet_choice import (
    Choices,
    InstrumentChoice,
    RunChoice,
    SheetKind,
    Wish,
    file_stem,
    first_wish,
    missing_text,
    read_choices,
)
from toneapp.library import Instrument, Purpose


def run(
    run_id: int,
    instrument_id: int,
    *,
    day: int = 1,
    purpose: Purpose = Purpose.EVENNESS,
    is_measured: bool = True,
) -> RunChoice:
    return RunChoice(
        run_id=run_id, instrument_id=instrument_id, instrument=f"Piano {instrument_id}",
        condition=f"run {run_id}", recorded_at=f"2024-05-{day:02}T10:00:00Z", purpose=purpose,
        is_measured=is_measured,
    )  # fmt: skip


def choices(*runs: RunChoice) -> Choices:
    ids = sorted({item.instrument_id for item in runs} | {1})
    return Choices(
        runs=runs,
        instruments=tuple(InstrumentChoice(instrument_id=i, name=f"Piano {i}") for i in ids),
    )


def test_runs_and_instruments_are_read(workshop: Workshop) -> None:
    found = read_choices(workshop.library)
    assert [item.title for item in found.runs] == [
        "Old upright: before, 2024-05-01",
        "Old upright: after, 2024-05-02",
    ]
    assert all(item.is_measured for item in found.runs)
    assert [item.name for item in found.instruments] == ["Old upright", "Small grand"]


@pytest.mark.parametrize(
    ("runs", "wish"),
    [
        ((), Wish(kind=SheetKind.WORKSHEET, instrument_id=1)),
        ((run(1, 1),), Wish(kind=SheetKind.WORKLIST, run_ids=(1,), run_id=1, instrument_id=1)),
        (
            (run(1, 1), run(2, 1, day=2)),
            Wish(kind=SheetKind.CHANGE, run_ids=(2,), before_id=1, after_id=2, run_id=2,
                 instrument_id=1),
        ),
        (
            (run(1, 1), run(2, 2, day=2)),
            Wish(kind=SheetKind.COMPARISON, run_ids=(1, 2), run_id=2, instrument_id=2),
        ),
        # Held and short blows differ, so only runs of one purpose are put together.
        (
            (run(1, 1), run(2, 2, day=2, purpose=Purpose.RING_ON)),
            Wish(kind=SheetKind.WORKLIST, run_ids=(2,), run_id=2, instrument_id=2),
        ),
        ((run(1, 1, is_measured=False),), Wish(kind=SheetKind.WORKSHEET, instrument_id=1)),
    ],
)  # fmt: skip
def test_what_is_likely_wanted_without_a_choice(runs: tuple[RunChoice, ...], wish: Wish) -> None:
    assert first_wish(choices(*runs)) == wish


def test_what_the_window_looks_at_comes_first() -> None:
    found = choices(run(1, 1), run(2, 1, day=2), run(3, 1, day=3), run(4, 2, day=4))
    wish = first_wish(found, run_id=3, beside_id=1, instrument_id=1)
    assert (wish.kind, wish.before_id, wish.after_id) == (SheetKind.CHANGE, 1, 3)
    assert wish.run_id == 3
    assert first_wish(found, run_id=2).run_ids == (2, 4)


@pytest.mark.parametrize(
    ("wish", "text"),
    [
        (Wish(kind=SheetKind.COMPARISON, run_ids=(1,)), "Tick 2 to 6 runs."),
        (Wish(kind=SheetKind.COMPARISON, run_ids=(1, 3)), "is not measured yet"),
        (Wish(kind=SheetKind.COMPARISON, run_ids=(1, 9)), "no longer in the library"),
        (Wish(kind=SheetKind.COMPARISON, run_ids=(1, 2)), ""),
        (Wish(kind=SheetKind.CHANGE), "two measured runs of one instrument"),
        (Wish(kind=SheetKind.CHANGE, before_id=1, after_id=1), "one and the same"),
        (Wish(kind=SheetKind.CHANGE, before_id=1, after_id=4), "two instruments"),
        (Wish(kind=SheetKind.CHANGE, before_id=1, after_id=2), ""),
        (Wish(kind=SheetKind.WORKLIST), "Choose a run."),
        (Wish(kind=SheetKind.WORKLIST, run_id=3), "run 3, 2024-05-03 is not measured yet"),
        (Wish(kind=SheetKind.WORKSHEET), "Choose an instrument."),
        (Wish(kind=SheetKind.WORKSHEET, instrument_id=1), ""),
    ],
)
def test_what_is_missing_is_said(wish: Wish, text: str) -> None:
    found = choices(
        run(1, 1), run(2, 1, day=2), run(3, 1, day=3, is_measured=False), run(4, 2, day=4)
    )
    said = missing_text(wish, found)
    assert text in said
    assert bool(said) == bool(text)


def test_a_library_without_enough_says_the_next_step() -> None:
    comparison = Wish(kind=SheetKind.COMPARISON, run_ids=(1,))
    assert "Record or import another" in missing_text(comparison, choices(run(1, 1)))
    nothing = choices(run(1, 1, is_measured=False))
    assert "Measure one from the page of its instrument" in missing_text(comparison, nothing)


@pytest.mark.parametrize(
    "name",
    [
        "<script>alert('A')</script>", "../../etc/passwd", "a\\b:c*d?e\"f|g", "name\nof two lines",
        "Longname" * 62, "\u202eevil", "...",
    ],
)  # fmt: skip
def test_a_hostile_name_makes_a_harmless_file_name(name: str) -> None:
    found = choices(replace(run(1, 1), instrument=name))
    stem = file_stem(Wish(kind=SheetKind.WORKLIST, run_id=1), found)
    assert stem.startswith("Worklist")
    assert not set(stem) & set('<>:"/\\|?*\n\u202e')
    assert len(stem) <= 80
    assert not stem.endswith((".", " "))


def test_the_file_is_named_after_the_instruments(workshop: Workshop) -> None:
    workshop.library.instruments.add(Instrument(name="A third"))
    found = read_choices(workshop.library)
    change = Wish(kind=SheetKind.CHANGE, before_id=1, after_id=2)
    assert file_stem(change, found) == "Before and after - Old upright"
    assert file_stem(Wish(kind=SheetKind.WORKSHEET, instrument_id=3), found) == (
        "Worksheet - A third"
    )
