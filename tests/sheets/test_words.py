"""The words of the sheets stand in one file, and a language may lack some."""

from __future__ import annotations

import re
import string
from pathlib import Path

import pytest

import toneapp.sheets
from toneapp.sheets import SheetSettings, languages
from toneapp.sheets.blocks import plain
from toneapp.sheets.figures import Figure
from toneapp.sheets.values import MEASURES
from toneapp.sheets.words import Say, load_words
from toneapp.wording import quantity_text

SOURCES = sorted(Path(toneapp.sheets.__file__).parent.glob("*.py"))


def braces(pattern: str) -> set[str]:
    return {field for _, field, _, _ in string.Formatter().parse(pattern) if field is not None}


def test_every_word_that_is_asked_for_is_there() -> None:
    table = load_words("en").table
    sections = "|".join({name.split(".")[0] for name in table})
    asked = set()
    for source in SOURCES:
        asked |= set(re.findall(rf'[^f]"((?:{sections})\.[a-z_]+)"', source.read_text("utf-8")))
    asked -= {name for name in asked if name.endswith((".toml", ".typ"))}
    assert len(asked) > 50
    assert asked - set(table) == set()


def test_every_measure_and_region_has_its_words() -> None:
    table = load_words("en").table
    for name in MEASURES:
        assert {f"measures.{name}", f"measures.{name}_unit", f"measures.{name}_what"} <= set(table)


def test_languages_fill_the_same_braces() -> None:
    english = load_words("en").table
    for language in languages():
        for name, pattern in load_words(language).table.items():
            assert braces(pattern) == braces(english[name]), (language, name)


def test_no_word_names_the_file_format_or_is_empty() -> None:
    assert [name for name, text in load_words("en").table.items() if not text.strip()] == []


def test_a_language_that_lacks_a_word_takes_the_english(monkeypatch: pytest.MonkeyPatch) -> None:
    from toneapp.sheets import words

    tables = words._tables() | {"xx": {"common": {"note": "Nota"}}}
    monkeypatch.setattr(words, "_tables", lambda: tables)
    load_words.cache_clear()
    try:
        say = Say(SheetSettings(language="xx"))
        assert say.text("common.note") == "Nota"
        assert say.text("common.none") == "none"
    finally:
        load_words.cache_clear()


def test_typed_braces_are_not_filled() -> None:
    say = Say(SheetSettings())
    text = say.rich("common.run_name", name="{label} {0.__class__}", label="A")
    assert plain(text) == "{label} {0.__class__} (A)"


def test_figures_are_worded_as_everywhere() -> None:
    say = Say(SheetSettings())
    figure = say.quantity(-11.234, "cents", se=0.21, is_signed=True)
    assert figure.text == quantity_text(-11.234, "cents", se=0.21, is_signed=True)
    assert (figure.value, figure.se) == (-11.234, 0.21)
    assert say.quantity(None, "s") == Figure(text="not measured", value=None, unit="s")
    assert say.interval(1.64, 1.13, 2.37, "s").text == "1.64 s [1.13, 2.37]"
    german = Say(SheetSettings(place_name="de-DE"))
    assert german.interval(1.64, 1.13, 2.37, "s").text == "1,64 s [1,13; 2,37]"
