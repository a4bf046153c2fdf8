"""Letterhead, paper, place and language."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.errors import InputError
from toneapp.sheets import (
    Lengths,
    Letterhead,
    Paper,
    SheetSettings,
    load_places,
    load_settings,
    save_settings,
    settings_text,
)
from toneapp.sheets.places import place_named
from toneapp.sheets.words import Say

PNG = b"\x89PNG\r\n\x1a\n" + b"0" * 20


def test_without_a_file_there_are_defaults(tmp_path: Path) -> None:
    settings = load_settings(tmp_path)
    assert settings.letterhead.is_empty
    assert (settings.paper, settings.lengths, settings.language) == (Paper.A4, Lengths.MM, "en")


def test_what_is_saved_is_loaded(tmp_path: Path) -> None:
    (tmp_path / "logo.png").write_bytes(PNG)
    head = Letterhead(
        workshop='Workshop "by the river" \\ 🎹', address=("1 Rivér Lane", "פסנתר"),
        contact="telephone 000", logo_file="logo.png",
    )  # fmt: skip
    settings = SheetSettings(letterhead=head, place_name="en-US", lengths_name="mm")
    save_settings(tmp_path, settings)
    found = load_settings(tmp_path)
    assert found.letterhead.logo is not None
    assert found.letterhead.logo.content == PNG
    assert found.letterhead.workshop == head.workshop
    assert found.letterhead.address == head.address
    assert (found.paper, found.lengths) == (Paper.LETTER, Lengths.MM)


@given(st.text(st.characters(exclude_categories=["Cs"])), st.text())
def test_any_words_survive_the_file(workshop: str, line: str) -> None:
    import tomllib

    head = Letterhead(workshop=workshop, address=(line,))
    table = tomllib.loads(settings_text(SheetSettings(letterhead=head)))
    assert table["letterhead"]["workshop"] == head.workshop
    assert table["letterhead"]["address"] == list(head.address)


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("paper = 'A3'", "A4 or Letter"),
        ("lengths = 'cubit'", "mm or inch"),
        ("place = 'xx'", "not known"),
        ("language = 'xx'", "do not speak"),
        ("colour = 'red'", "words that are not known: colour"),
        ("paper = 4", "text in quotes"),
        ("letterhead = 1", "not a section"),
        ("[letterhead]\naddress = 1", "list of lines"),
        ("[letterhead]\nlogo = 'none.png'", "cannot be read"),
        ("[letterhead]\nlogo = 'sheet.toml'", "neither PNG nor JPEG nor SVG"),
        ("paper = ", "correct them"),
    ],
)
def test_what_cannot_be_is_said_in_one_line(text: str, part: str, tmp_path: Path) -> None:
    (tmp_path / "sheet.toml").write_text(text, "utf-8")
    with pytest.raises(InputError, match=part) as caught:
        load_settings(tmp_path)
    assert "\n" not in str(caught.value)


def test_a_logo_that_is_too_large_is_refused(tmp_path: Path) -> None:
    (tmp_path / "logo.png").write_bytes(PNG + b"0" * 2_000_001)
    (tmp_path / "sheet.toml").write_text("[letterhead]\nlogo = 'logo.png'", "utf-8")
    with pytest.raises(InputError, match="larger than 2 MB"):
        load_settings(tmp_path)


@pytest.mark.parametrize(
    ("place", "day", "number"),
    [
        ("en-GB", "31 May 2024", "−0.31 ± 0.06 oct"),
        ("en_US", "May 31, 2024", "−0.31 ± 0.06 oct"),
        ("de", "31.05.2024", "−0,31 ± 0,06 oct"),
        ("sv-SE", "2024-05-31", "−0,31 ± 0,06 oct"),
    ],
)
def test_numbers_and_dates_of_a_place(place: str, day: str, number: str) -> None:
    found = place_named(place)
    assert found.day("2024-05-31T14:30:00+00:00") == day
    assert found.day(date(2024, 5, 31)) == day
    assert found.numbers("−0.31 ± 0.06 oct") == number


def test_every_place_can_say_a_day() -> None:
    for place in load_places().values():
        assert "2024" in place.day("2024-12-09")
        assert place.day("not a day") == "not a day"


def test_lengths_in_inches_and_feet() -> None:
    # 1 in = 25.4 mm exactly (ISO 80000-3).
    say = Say(SheetSettings(place_name="en-US"))
    assert say.length(10.16).text == "0.40 in"
    assert say.distance(1.524)[0].text == "5.0 ft"  # type: ignore[union-attr]
    assert Say(SheetSettings()).length(10.16).text == "10.2 mm"
