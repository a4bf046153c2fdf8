"""Drawings: well-formed whatever is written in them, and true to scale."""

from __future__ import annotations

import itertools
import math
import xml.etree.ElementTree as ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.keyboard import Compass
from toneapp.sheets import drawing_pdf, drawing_png, drawing_svg
from toneapp.sheets.charts import ChartDifference, ChartRun, difference_chart, overlay_chart
from toneapp.sheets.drawing import COLOURS, Area, Drawing, Label, Mark, Stroke
from toneapp.sheets.keys import KeyPlaces, Scale, round_values
from toneapp.sheets.values import KeyValue

SVG = "{http://www.w3.org/2000/svg}"
COMPASS = Compass(lowest_midi=21, highest_midi=108)


def contrast(one: str, other: str) -> float:
    """Contrast ratio by WCAG 2.2, definition of relative luminance."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
        return 0.2126 * r + 0.7152 * g + 0.0722 * b

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@given(st.text(), st.text())
def test_any_text_is_well_formed_and_harmless(title: str, words: str) -> None:
    shapes = (Label(x=1.0, y=2.0, text=words, size=9.0),)
    drawing = Drawing(width=10.0, height=10.0, shapes=shapes, title=title)
    for is_inline in (False, True):
        root = ElementTree.fromstring(drawing_svg(drawing, is_inline=is_inline, alt=words))
        tags = {element.tag.removeprefix(SVG) for element in root.iter()}
        assert tags <= {"svg", "title", "desc", "rect", "text"}


def test_colours_of_words_and_lines_can_be_told_from_the_ground() -> None:
    # WCAG 2.2, 1.4.3: 4.5:1 for text.
    for role in ("ink", "muted", "accent", "s0", "s1", "s2", "s3", "s4", "s5"):
        for ground in ("paper", "lane"):
            assert contrast(COLOURS[role], COLOURS[ground]) >= 4.5


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_a_coordinate_that_is_no_number_is_refused(value: float) -> None:
    mark = Mark(x=value, y=0.0, sign="circle", size=1.0, role="ink")
    with pytest.raises(ValueError, match="coordinate"):
        drawing_svg(Drawing(width=1.0, height=1.0, shapes=(mark,), title=""))


def test_the_keyboard_has_its_keys() -> None:
    places = KeyPlaces(COMPASS, left=0.0, right=520.0)
    keys = [shape for shape in places.keyboard(top=0.0, height=20.0) if isinstance(shape, Area)]
    assert sum(key.role == "key-white" for key in keys) == 52
    assert sum(key.role == "key-black" for key in keys) == 36
    assert places.x(21) == 5.0
    assert places.x(108) == 515.0
    assert places.x(61) == (places.x(60) + places.x(62)) / 2


@given(st.floats(-1e6, 1e6, allow_subnormal=False), st.floats(1e-3, 1e6), st.integers(2, 8))
def test_round_values_lie_between_the_ends(low: float, width: float, most: int) -> None:
    high = low + width
    values = round_values(low, high, most=most)
    assert 1 <= len(values) <= most
    assert values == sorted(values)
    assert all(low - 1e-6 * width <= value <= high + 1e-6 * width for value in values)


@given(st.lists(st.floats(1e-3, 1e3), min_size=1), st.booleans())
def test_a_scale_keeps_order_and_stays_inside(values: list[float], is_logarithmic: bool) -> None:
    scale = Scale.around(values, top=10.0, bottom=110.0, is_logarithmic=is_logarithmic)
    heights = [scale.y(value) for value in sorted(values)]
    assert all(10.0 - 1e-6 <= height <= 110.0 + 1e-6 for height in heights)
    assert all(b <= a + 1e-6 for a, b in itertools.pairwise(heights))


def runs(count: int) -> list[ChartRun]:
    return [
        ChartRun(
            label="ABCDEF"[n],
            name="Long name " * 30,
            values=tuple(KeyValue(midi=m, value=2.0 + 0.01 * n) for m in range(30, 90)),
            trend=tuple((m, 2.0 + 0.01 * n) for m in range(30, 90)),
        )
        for n in range(count)
    ]


@pytest.mark.parametrize("count", [1, 2, 6])
def test_nothing_is_drawn_beyond_the_edges(count: int) -> None:
    drawing = overlay_chart("Title", "unit", runs(count), COMPASS, nothing="none")
    for shape in drawing.shapes:
        if isinstance(shape, Stroke):
            points = shape.points
        elif isinstance(shape, Area):
            points = (
                (shape.left, shape.top),
                (shape.left + shape.width, shape.top + shape.height),
            )
        else:
            points = ((shape.x, shape.y),)
        assert all(-0.01 <= x <= drawing.width for x, _ in points)
        assert all(-0.01 <= y <= drawing.height for _, y in points)


def test_runs_differ_without_their_colour() -> None:
    drawing = overlay_chart("Title", "unit", runs(6), COMPASS, nothing="none")
    lines = [s for s in drawing.shapes if isinstance(s, Stroke) and s.role.startswith("s")]
    assert len({line.dash for line in lines}) == 6
    marks = overlay_chart("Title", "unit", runs(3), COMPASS, nothing="none").shapes
    assert len({mark.sign for mark in marks if isinstance(mark, Mark)}) == 3


def test_a_chart_of_nothing_says_so() -> None:
    empty = [ChartRun(label="A", name="", values=())]
    drawing = overlay_chart("Title", "unit", empty, COMPASS, nothing="not measured")
    assert any(isinstance(s, Label) and s.text == "not measured" for s in drawing.shapes)
    bare = difference_chart("Title", "", [], COMPASS, audible=(-1, 1), nothing="not measured")
    assert any(isinstance(s, Label) and s.text == "not measured" for s in bare.shapes)


def test_changed_keys_have_a_sign_and_a_name() -> None:
    changes = [
        ChartDifference(midi=60, value=0.1, low=-0.1, high=0.3, is_changed=False),
        ChartDifference(midi=72, value=-0.9, low=-1.1, high=-0.7, is_changed=True),
    ]
    drawing = difference_chart("T", "oct", changes, COMPASS, audible=(-0.1, 0.1), nothing="")
    names = [s.text for s in drawing.shapes if isinstance(s, Label) and s.role == "accent"]
    signs = [s.sign for s in drawing.shapes if isinstance(s, Mark) and s.role == "accent"]
    assert (names, signs) == (["C5"], ["down"])


def test_the_range_of_a_changed_key_is_whole_and_its_name_stands_beyond_it() -> None:
    changes = [
        ChartDifference(midi=40, value=0.0, low=-9.0, high=9.0, is_changed=False),
        ChartDifference(midi=60, value=0.9, low=0.2, high=1.9, is_changed=True),
        *(
            ChartDifference(midi=61 + n, value=0.0, low=-0.2, high=0.2, is_changed=False)
            for n in range(20)
        ),
    ]
    drawing = difference_chart("T", "oct", changes, COMPASS, audible=(-0.1, 0.1), nothing="")
    (name,) = [s for s in drawing.shapes if isinstance(s, Label) and s.role == "accent"]
    (reach,) = [s for s in drawing.shapes if isinstance(s, Stroke) and s.role == "accent"]
    heights = [y for _, y in reach.points]
    muted = [
        [y for _, y in s.points]
        for s in drawing.shapes
        if isinstance(s, Stroke) and s.role == "muted" and s.width == 1.2
    ]
    top = min(min(ends) for ends in muted)  # where the widest range is cut
    assert min(heights) > top  # the changed one is not
    assert name.y < min(heights)


def test_a_picture_is_as_wide_as_asked_for() -> None:
    drawing = overlay_chart("Title", "unit", runs(2), COMPASS, nothing="none")
    png = drawing_png(drawing, pixels_wide=1520)
    assert png.startswith(b"\x89PNG\r\n\x1a\n")
    assert abs(int.from_bytes(png[16:20], "big") - 1520) <= 1
    assert drawing_pdf(drawing).startswith(b"%PDF-")
