"""The HTML, read as a browser's parser reads it."""

from __future__ import annotations

import base64
import hashlib
import itertools
import re
from html.parser import HTMLParser

import pytest
from invented_workshop import HOSTILE

from toneapp.library import Library
from toneapp.sheets import (
    Letterhead,
    Logo,
    Sheet,
    SheetSettings,
    figures_of,
    make_worklist,
    sheet_html,
)
from toneapp.sheets.blocks import Chart, Listening
from toneapp.sheets.typed import clean_text

MOST_BYTES = 10_000_000

VOID = {"meta", "img", "br", "hr", "input", "path", "circle", "rect", "link"}


class Page(HTMLParser):
    """Elements with their attributes, and all text outside styles and scripts."""

    def __init__(self, content: bytes) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.code: dict[str, list[str]] = {"script": [], "style": []}
        self.open: list[str] = []
        self.feed(content.decode("utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag in VOID:
            return
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] in self.code:
            self.code[self.open[-1]].append(data)
        else:
            self.texts.append(data)

    def all(self, *tags: str) -> list[dict[str, str | None]]:
        return [attributes for tag, attributes in self.elements if tag in tags]

    def text(self) -> str:
        return " ".join("".join(self.texts).split())


@pytest.fixture(scope="module")
def page(comparison: Sheet, settings: SheetSettings) -> Page:
    return Page(sheet_html(comparison, settings))


@pytest.fixture(scope="module")
def hostile_page(hostile: Sheet) -> Page:
    head = Letterhead(workshop=HOSTILE["script"], address=tuple(HOSTILE.values()))
    return Page(sheet_html(hostile, SheetSettings(letterhead=head)))


@pytest.mark.parametrize("which", ["page", "hostile_page"])
def test_it_is_whole_and_fetches_nothing(which: str, request: pytest.FixtureRequest) -> None:
    page: Page = request.getfixturevalue(which)
    assert page.open == []
    for _, attributes in page.elements:
        for name, value in attributes.items():
            assert not name.startswith("on")
            assert name not in ("style", "srcset", "action", "href", "xlink:href")
            if name == "src":
                assert value is not None
                assert value.startswith("data:")
    assert "url(" not in page.code["style"][0]
    assert "@import" not in page.code["style"][0]


@pytest.mark.parametrize("which", ["page", "hostile_page"])
def test_the_browser_may_run_our_script_and_no_other(
    which: str, request: pytest.FixtureRequest
) -> None:
    page: Page = request.getfixturevalue(which)
    policy = next(
        attributes["content"] or ""
        for attributes in page.all("meta")
        if attributes.get("http-equiv") == "Content-Security-Policy"
    )
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    for kind in ("script", "style"):
        assert len(page.all(kind)) == 1
        digest = hashlib.sha256(page.code[kind][0].encode("utf-8")).digest()
        assert f"{kind}-src 'sha256-{base64.b64encode(digest).decode()}'" in policy


def test_hostile_words_are_text(hostile_page: Page) -> None:
    text = hostile_page.text()
    for name in ("script", "formula", "right_to_left", "emoji", "words"):
        assert clean_text(HOSTILE[name]) in text
    assert "\u202e" not in text
    assert HOSTILE["long"][:160] in text


def test_every_figure_stands_in_it(page: Page, comparison: Sheet) -> None:
    text = page.text()
    assert [figure.text for figure in figures_of(comparison) if figure.text not in text] == []


def test_drawings_have_words_and_a_table(page: Page, comparison: Sheet) -> None:
    charts = [block for block in comparison.blocks if isinstance(block, Chart)]
    assert len(charts) == 8
    drawings = page.all("svg")
    assert len(drawings) == len(charts)
    text = page.text()
    for drawing, chart in zip(drawings, charts, strict=True):
        assert drawing["role"] == "img"
        assert drawing["aria-label"] == chart.alt
        assert len(chart.alt) > 40
        assert len(chart.table.rows) > 40
        assert chart.table.caption in text


def test_headings_go_down_step_by_step(page: Page) -> None:
    levels = [int(tag[1]) for tag, _ in page.elements if re.fullmatch(r"h\d", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))


def test_heads_of_tables_say_what_they_head(page: Page) -> None:
    assert all(attributes.get("scope") in ("col", "row") for attributes in page.all("th"))
    assert len(page.all("caption")) == len(page.all("table"))


def test_the_sound_is_in_it_and_it_can_be_mailed(
    hostile: Sheet, comparison: Sheet, change: Sheet, six_runs: Sheet, settings: SheetSettings
) -> None:
    for sheet, runs in ((hostile, 3), (comparison, 2), (change, 2), (six_runs, 6)):
        content = sheet_html(sheet, settings)
        assert len(content) < MOST_BYTES
        clips = next(b for b in sheet.blocks if isinstance(b, Listening)).clips.clips
        audio = Page(content).all("audio")
        assert len(audio) == runs * len(clips)
        assert len(clips) >= 4
        # Without a script the sounds have the browser's own controls.
        assert all("controls" in attributes for attributes in audio)


def test_a_page_without_sound_has_no_script(
    workshop: Library, settings: SheetSettings, today: object
) -> None:
    page = Page(sheet_html(make_worklist(workshop, 1, settings, today=today), settings))  # type: ignore[arg-type]
    assert page.all("script") == []


def test_a_hostile_logo_stays_a_picture(comparison: Sheet) -> None:
    svg = b'<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>'
    head = Letterhead(workshop='"><script>', logo=Logo(content=svg, form="svg"))
    page = Page(sheet_html(comparison, SheetSettings(letterhead=head)))
    assert len(page.all("script")) == 1
    (image,) = page.all("img")
    assert image["alt"] == '"><script>'
    assert (image["src"] or "").startswith("data:image/svg+xml;base64,")
