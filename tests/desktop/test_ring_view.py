"""Marks, lists and sentences of the ring-on page; the matrix as a picture."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtGui import QColor, QFont, QImage, QPainter
from ring_kit import ANSWERS, FREE, HEARD_FROM, LEAK, ringing_run

from toneapp.desktop.ring_geometry import RingGeometry
from toneapp.desktop.ring_painting import draw_ring, main, paint_ring
from toneapp.desktop.ring_view import RingSign, RingView, ring_change_view, ring_view, sign_text
from toneapp.desktop.theme import DARK, LIGHT, Colours
from toneapp.errors import InputError
from toneapp.evenness.ringing_change import ringing_change
from toneapp.interchange import run_to_bytes, run_to_json
from toneapp.results import Cause, RunResult

pytestmark = pytest.mark.usefixtures("qapp")


@pytest.fixture(scope="module")
def before() -> RunResult:
    return ringing_run(1, is_leaky=True)


@pytest.fixture(scope="module")
def after() -> RunResult:
    return ringing_run(2, is_leaky=False)


@pytest.fixture(scope="module")
def view(before: RunResult) -> RingView:
    return ring_view(before)


@pytest.fixture(scope="module")
def change(before: RunResult, after: RunResult) -> RingView:
    found = ringing_change(before, after, rng=np.random.default_rng(1))
    return ring_change_view(before, after, found)


def test_every_string_after_every_key_has_a_mark(view: RingView) -> None:
    places = {(mark.struck_midi, mark.midi): mark for mark in view.marks}
    expected = {(LEAK, LEAK)} | {(m, LEAK) for m in HEARD_FROM} | {(m, FREE) for m in ANSWERS}
    assert set(places) == expected
    assert places[LEAK, LEAK].sign is RingSign.OWN
    assert places[45, LEAK].sign is RingSign.OTHER
    assert places[60, FREE].sign is RingSign.UNDAMPED
    assert places[LEAK, LEAK].size > places[45, LEAK].size > places[60, FREE].size > 0.0
    assert places[60, FREE].text.startswith("G6 rings after C4: −36 dB")
    assert places[LEAK, LEAK].text.startswith("E2 rings on itself")


def test_the_lists_are_in_their_order_with_reasons(view: RingView) -> None:
    assert [row.note for row in view.dampers] == ["E2"]
    assert view.dampers[0].value == "2.10 s"
    assert view.dampers[0].short == "10 keys"
    assert "its note dies in 2.10 s where 0.40 s is usual" in view.dampers[0].text
    assert [row.note for row in view.echoes] == ["E2", "G6"]
    assert view.echoes[1].cause is Cause.UNDAMPED
    assert view.changes == ()
    assert view.treble.startswith("Treble echo −47 ± 4 dB")
    assert "dampers up to E6" in view.figures


def test_marks_of_a_key_are_those_it_has_part_in(view: RingView) -> None:
    assert len(view.marks_of(LEAK)) == 1 + len(HEARD_FROM)
    assert len(view.marks_of(60)) == 2
    assert view.marks_of(108) == ()


def test_a_run_without_a_release_says_what_to_do(before: RunResult) -> None:
    from dataclasses import replace

    bare = ring_view(replace(before, ring_on=None))
    assert "short, detached blows" in bare.problem


def test_a_change_has_signs_of_its_own(change: RingView) -> None:
    places = {(mark.struck_midi, mark.midi): mark for mark in change.marks}
    assert places[LEAK, LEAK].sign is RingSign.LOST
    assert places[45, LEAK].sign is RingSign.LOST
    assert places[60, FREE].sign is RingSign.UNCHANGED
    first = change.changes[0]
    assert (first.note, first.value, first.cause) == ("E2", "no longer heard", None)
    assert first.short.endswith("< −50 dB")
    assert change.changes[1].value == "as before"
    assert change.dampers == ()  # what is left to do is that of the later run
    assert change.is_change


def test_every_sign_is_explained() -> None:
    assert len({sign_text(sign) for sign in RingSign}) == len(RingSign)


# Painting


@pytest.mark.parametrize("size", [(640.0, 420.0), (900.0, 700.0), (1500.0, 900.0)])
def test_every_mark_lies_in_the_plot(view: RingView, size: tuple[float, float]) -> None:
    geometry = RingGeometry(*size, view=view, font=QFont())
    for mark in view.marks:
        assert geometry.plot.contains(geometry.place(mark))
        assert (
            geometry.mark_at(geometry.place(mark).x() + 1.0, geometry.place(mark).y(), view.marks)
            in view.marks
        )
    assert geometry.mark_at(-50.0, -50.0, view.marks) is None
    middle = geometry.keys.center()
    assert geometry.key_at(geometry.x(60), middle.y() + 5.0) == 60
    assert geometry.key_at(geometry.plot.left() - 10.0, geometry.y(FREE)) == FREE
    assert geometry.key_at(0.0, -5.0) == 0
    assert geometry.plot.top() >= 0.0
    assert geometry.legend_top + geometry.legend_rows * geometry.line < size[1]


@pytest.mark.parametrize("colours", [LIGHT, DARK])
def test_signs_are_seen_on_the_ground(view: RingView, colours: Colours) -> None:
    image = QImage(900, 700, QImage.Format.Format_RGB32)
    image.fill(QColor(colours.paper))
    geometry = RingGeometry(900.0, 700.0, view=view, font=QFont())
    painter = QPainter(image)
    paint_ring(painter, view, geometry, colours=colours, font=QFont())
    painter.end()
    own = next(mark for mark in view.marks if mark.sign is RingSign.OWN)
    free = next(mark for mark in view.marks if mark.sign is RingSign.UNDAMPED)
    assert image.pixelColor(geometry.place(own).toPoint()) == QColor(colours.accent)
    assert image.pixelColor(geometry.place(free).toPoint()) == QColor(colours.other)


def test_shapes_differ_without_colour() -> None:
    """Each sign leaves another silhouette in black and white."""
    from PySide6.QtCore import QPointF

    from toneapp.desktop import ring_painting

    prints = set()
    for sign in RingSign:
        image = QImage(40, 40, QImage.Format.Format_RGB32)
        image.fill(QColor(LIGHT.lane))
        painter = QPainter(image)
        ring_painting._paint_sign(painter, sign, QPointF(20.0, 20.0), 24.0, colours=LIGHT)
        painter.end()
        ground = QColor(LIGHT.lane).rgb()
        prints.add(
            tuple(image.pixel(x, y) != ground for y in range(0, 40, 2) for x in range(0, 40, 2))
        )
    # Causes and trends are never in one drawing: shapes may serve in both.
    assert len(prints) >= 7


def test_a_picture_of_one_run_and_of_two(
    before: RunResult, after: RunResult, tmp_path: Path
) -> None:
    for runs in ([before], [before, after]):
        source, target = tmp_path / "runs.json", tmp_path / "rings.png"
        source.write_text(json.dumps([run_to_json(run) for run in runs]))
        assert main([str(source), str(target)]) == 0
        image = QImage(str(target))
        assert (image.width(), image.height()) == (1600, 1000)
    one = tmp_path / "one.json"
    one.write_bytes(run_to_bytes(before))
    assert main([str(one), str(tmp_path / "one.png")]) == 0


def test_a_picture_says_what_is_wrong(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], before: RunResult
) -> None:
    (tmp_path / "bad.json").write_text("[{")
    assert main([str(tmp_path / "bad.json"), str(tmp_path / "x.png")]) == 1
    assert "holds no runs" in capsys.readouterr().err
    assert main([str(tmp_path / "none.json"), str(tmp_path / "x.png")]) == 1
    assert "cannot be read" in capsys.readouterr().err
    assert main(["one"]) == 2
    with pytest.raises(InputError, match="one run or two, not 3"):
        draw_ring([before] * 3)
