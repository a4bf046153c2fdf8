"""The PDF, as other programs read it."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from invented_workshop import HOSTILE
from paper import facts_of, flat, fonts_of, needs_poppler, text_of, words_beyond

from toneapp.errors import InputError
from toneapp.library import Library
from toneapp.sheets import (
    Letterhead,
    Logo,
    Sheet,
    SheetSettings,
    figures_of,
    make_change,
    make_worklist,
    make_worksheet,
    sheet_json,
    sheet_pages,
    sheet_pdf,
)
from toneapp.sheets.blocks import Bullets, Notice, Paragraph, plain

KINDS = ("comparison", "change", "worklist", "worksheet")


@pytest.fixture
def sheets(
    workshop: Library, settings: SheetSettings, today: date, comparison: Sheet, change: Sheet
) -> dict[str, Sheet]:
    return {
        "comparison": comparison,
        "change": change,
        "worklist": make_worklist(workshop, 1, settings, today=today),
        "worksheet": make_worksheet(workshop, 1, settings, today=today),
    }


@needs_poppler
@pytest.mark.parametrize("kind", KINDS)
def test_every_figure_of_the_json_stands_in_the_text(
    kind: str, sheets: dict[str, Sheet], settings: SheetSettings, tmp_path: Path
) -> None:
    text = text_of(sheet_pdf(sheets[kind], settings), tmp_path)
    printed = [figure.text for figure in figures_of(sheets[kind])]
    in_json = re.findall(r"'text': '([^']*)', 'value'", str(_without_charts(sheets[kind])))
    assert sorted(printed) == sorted(in_json)
    assert len(printed) > 5
    assert [figure for figure in printed if flat(figure) not in text] == []


def _without_charts(sheet: Sheet) -> object:
    """The values behind the charts are a table on the screen, and drawn on paper."""
    return [block for block in sheet_json(sheet)["blocks"] if block["kind"] != "chart"]


@needs_poppler
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_pictures_of_the_pages_are_those_of_the_paper(
    paper: str, change: Sheet, settings: SheetSettings, tmp_path: Path
) -> None:
    settings = replace(settings, paper_name=paper)
    pages = sheet_pages(change, settings, pixels_wide=600)
    assert len(pages) == int(facts_of(sheet_pdf(change, settings), tmp_path)["Pages"])
    high = 600 * (297 / 210 if paper == "A4" else 11 / 8.5)
    for page in pages:
        assert page.startswith(b"\x89PNG\r\n\x1a\n")
        assert abs(int.from_bytes(page[16:20], "big") - 600) <= 1
        assert abs(int.from_bytes(page[20:24], "big") - high) <= 2


@needs_poppler
@pytest.mark.parametrize("kind", KINDS)
def test_every_sentence_stands_in_the_text(
    kind: str, sheets: dict[str, Sheet], settings: SheetSettings, tmp_path: Path
) -> None:
    text = text_of(sheet_pdf(sheets[kind], settings), tmp_path).replace("– ", "")
    for block in sheets[kind].blocks:
        sentences = (
            [block.text]
            if isinstance(block, Paragraph)
            else block.items
            if isinstance(block, Bullets | Notice)
            else []
        )
        for sentence in sentences:
            assert flat(plain(sentence)).replace("– ", "") in text


@needs_poppler
@pytest.mark.parametrize(
    ("paper", "size"), [("A4", "595.276 x 841.89 pts (A4)"), ("Letter", "612 x 792 pts (letter)")]
)
def test_properties_paper_and_page_numbers(
    paper: str, size: str, sheets: dict[str, Sheet], settings: SheetSettings, tmp_path: Path
) -> None:
    for sheet in sheets.values():
        content = sheet_pdf(sheet, replace(settings, paper_name=paper))
        facts = facts_of(content, tmp_path)
        assert facts["Page size"] == size
        assert facts["Title"] == plain(sheet.title)
        assert facts["Author"] == "Workshop by the river"
        assert facts["Subject"] == sheet.subject
        assert facts["Tagged"] == "yes"
        assert facts["JavaScript"] == "no"
        text = text_of(content, tmp_path)
        pages = facts["Pages"]
        assert all(f"Page {n} of {pages}" in text for n in range(1, int(pages) + 1))


@needs_poppler
def test_fonts_are_our_own_and_embedded(
    comparison: Sheet, settings: SheetSettings, tmp_path: Path
) -> None:
    fonts = fonts_of(sheet_pdf(comparison, settings), tmp_path)
    assert len(fonts) >= 2
    assert all(is_embedded == "yes" for _, is_embedded in fonts)
    names = {name.partition("+")[2].removesuffix("-Identity-H") for name, _ in fonts}
    assert names <= {"Inter-Regular", "Inter-Bold", "DejaVuSans"}


@pytest.mark.parametrize("kind", KINDS)
def test_it_says_that_it_is_accessible(
    kind: str, sheets: dict[str, Sheet], settings: SheetSettings
) -> None:
    # ISO 14289-1:2014, clause 5: the identification in the metadata; Typst refuses to write it
    # unless every drawing has its words and every letter its shape.
    assert b"<pdfuaid:part>1</pdfuaid:part>" in sheet_pdf(sheets[kind], settings)


@needs_poppler
def test_hostile_words_are_shown_as_they_are_and_stay_on_the_page(
    hostile: Sheet, settings: SheetSettings, tmp_path: Path
) -> None:
    content = sheet_pdf(hostile, settings)
    text = text_of(content, tmp_path).replace(" ", "")
    for name in ("script", "formula", "words"):
        assert flat(HOSTILE[name]).replace(" ", "") in text
    assert words_beyond(content, tmp_path) == []
    assert facts_of(content, tmp_path)["JavaScript"] == "no"


@needs_poppler
@pytest.mark.parametrize("name", sorted(HOSTILE))
def test_a_hostile_title_and_letterhead_fit(
    name: str, workshop: Library, today: date, tmp_path: Path
) -> None:
    words = HOSTILE[name]
    head = Letterhead(workshop=words, address=(words, words), contact=words)
    settings = SheetSettings(letterhead=head, paper_name="Letter")
    sheet = make_worklist(workshop, 4, settings, today=today)
    sheet = replace(sheet, title=(words,), subtitle=(words,))
    content = sheet_pdf(sheet, settings)
    assert words_beyond(content, tmp_path) == []


@needs_poppler
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_six_runs_fit_the_paper(
    paper: str, six_runs: Sheet, settings: SheetSettings, tmp_path: Path
) -> None:
    content = sheet_pdf(six_runs, replace(settings, paper_name=paper))
    text = text_of(content, tmp_path)
    assert words_beyond(content, tmp_path) == []
    assert all(f"{letter} " in text for letter in "ABCDEF")
    assert "The sixth (F)" in text
    printed = [figure.text for figure in figures_of(six_runs)]
    assert [figure for figure in printed if flat(figure) not in text] == []


@needs_poppler
def test_numbers_and_dates_follow_the_place(
    workshop: Library, settings: SheetSettings, today: date, tmp_path: Path
) -> None:
    german = replace(settings, place_name="de-DE")
    sheet = make_change(workshop, 1, 2, german, today=today)
    text = text_of(sheet_pdf(sheet, german), tmp_path)
    assert "10.06.2024" in text
    assert "1,5 m" in text
    english = list(figures_of(make_change(workshop, 1, 2, settings, today=today)))
    for ours, theirs in zip(figures_of(sheet), english, strict=True):
        assert ours.text.replace(";", ",") == re.sub(r"(?<=\d)\.(?=\d)", ",", theirs.text)
        assert ours.value == theirs.value


def test_a_logo_is_drawn_or_refused(comparison: Sheet, settings: SheetSettings) -> None:
    name = b'xmlns="http://www.w3.org/2000/svg"'
    svg = b"<svg " + name + b' width="9" height="9"><rect width="9" height="9"/></svg>'
    bare = sheet_pdf(comparison, settings)
    head = replace(settings.letterhead, logo=Logo(content=svg, form="svg"), logo_file="l.svg")
    assert sheet_pdf(comparison, replace(settings, letterhead=head)) != bare
    broken = replace(head, logo=Logo(content=b"\x89PNG\r\n\x1a\nnothing", form="png"))
    with pytest.raises(InputError, match=r"logo l\.svg cannot be drawn"):
        sheet_pdf(comparison, replace(settings, letterhead=broken))


@pytest.mark.parametrize(
    "inside",
    [
        '<image xlink:href="/etc/hostname" width="5" height="5"/>',
        '<image xlink:href="http://127.0.0.1:9/x.png" width="5" height="5"/>',
        "<text>&many;</text>",
    ],
)
def test_a_logo_that_reaches_out_is_refused(
    inside: str, comparison: Sheet, settings: SheetSettings
) -> None:
    names = [f'<!ENTITY e{n} "{f"&e{n - 1};" * 10}">' for n in range(1, 9)]
    head = f'<!DOCTYPE svg [<!ENTITY e0 "aaaa">{"".join(names)}<!ENTITY many "&e8;">]>'
    svg = (
        f'{head}<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"'
        f' xmlns:xlink="http://www.w3.org/1999/xlink">{inside}</svg>'
    )
    logo = Logo(content=svg.encode("utf-8"), form="svg")
    letterhead = replace(settings.letterhead, logo=logo, logo_file="logo.svg")
    with pytest.raises(InputError, match="cannot be drawn"):
        sheet_pdf(comparison, replace(settings, letterhead=letterhead))
