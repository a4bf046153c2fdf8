"""The picture of a run is drawn from its JSON alone."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtGui import QColor, QImage

from toneapp.desktop.appearance import ACCENT, POINT
from toneapp.desktop.key_axis import KeyAxis
from toneapp.desktop.picture import HEIGHT, LEFT, RIGHT, WIDTH, draw_run, main
from toneapp.desktop.picture_file import png_bytes
from toneapp.interchange import run_to_bytes
from toneapp.keyboard import Compass
from toneapp.results import NoteResult, Raised, RunResult

pytestmark = pytest.mark.usefixtures("qapp")


def make_run(*, raised: tuple[Raised, ...] = (), notes: int = 20) -> RunResult:
    return RunResult(
        sample_rate_hz=48_000,
        duration_s=60.0,
        a4_reference_hz=440.0,
        compass="C3-C5",
        source="bench.flac",
        notes=tuple(
            NoteResult(
                midi=48 + i, note=f"n{i}", strikes=1, level_db=-20.0 - i % 3,
                level_trend_db=-21.0, brightness=2.0 + (i == 7), brightness_trend=2.0,
                raised=raised if i == 7 else (),
            )
            for i in range(notes)
        ),
    )  # fmt: skip


def count(image: QImage, colour: str) -> int:
    """Pixels of exactly one colour."""
    wanted = QColor(colour).rgb()
    return sum(
        image.pixel(x, y) == wanted for y in range(image.height()) for x in range(image.width())
    )


def test_points_are_drawn_and_raised_notes_marked() -> None:
    legend_only = draw_run(make_run(notes=0))
    plain = draw_run(make_run())
    marked = draw_run(make_run(raised=(Raised.BRIGHT,)))
    assert (plain.width(), plain.height()) == (WIDTH, HEIGHT)
    assert plain.text("Title").startswith("bench.flac")
    # A point of radius 3.4 covers about 36 pixels, some of them blended at the edge.
    assert count(plain, POINT) - count(legend_only, POINT) > 40 * 10
    assert count(plain, ACCENT) == count(legend_only, ACCENT)
    assert count(marked, ACCENT) > count(plain, ACCENT) + 50


@pytest.mark.parametrize(("way", "is_upward"), [(Raised.BRIGHT, True), (Raised.DULL, False)])
def test_a_raised_note_is_a_triangle_that_says_the_direction(way: Raised, is_upward: bool) -> None:
    image = draw_run(make_run(raised=(way,)))
    x = round(KeyAxis(Compass.parse("C3-C5"), left=LEFT, right=RIGHT).x(48 + 7))
    accent = QColor(ACCENT).rgb()

    def width(y: int) -> int:
        """Pixels of the mark's colour in one unbroken stretch through the middle of the key."""
        ends = []
        for step in (-1, 1):
            place = x
            while image.pixel(place, y) == accent:
                place += step
            ends.append(place)
        return max(0, ends[1] - ends[0] - 1)

    widths = [width(y) for y in range(HEIGHT - 60)]
    base = int(np.argmax(widths))
    assert widths[base] >= 9  # the base is 14 wide, less its light edge; a letter's stem 3
    assert (sum(widths[base - 9 : base]) > sum(widths[base + 1 : base + 10])) == is_upward


def test_keys_lie_in_order_and_whites_are_equally_wide() -> None:
    axis = KeyAxis(Compass.parse("A0-C8"), left=100.0, right=620.0)
    places = [axis.x(midi) for midi in range(21, 109)]
    assert places == sorted(places)
    assert axis.white_width == pytest.approx(10.0)  # 52 white keys
    assert (places[0], places[-1]) == (pytest.approx(105.0), pytest.approx(615.0))
    assert axis.x(61) == pytest.approx((axis.x(60) + axis.x(62)) / 2)


@pytest.mark.parametrize("text", ["A#0-C#4", "C4-C4", "A#3-A#3"])
def test_any_compass_has_places(text: str) -> None:
    compass = Compass.parse(text)
    axis = KeyAxis(compass, left=0.0, right=100.0)
    assert all(0.0 < axis.x(midi) < 100.0 for midi in compass)


def test_the_command_writes_a_png(tmp_path: Path) -> None:
    (tmp_path / "run.json").write_bytes(run_to_bytes(make_run()))
    assert main([str(tmp_path / "run.json"), str(tmp_path / "run.png")]) == 0
    image = QImage(str(tmp_path / "run.png"))
    assert (image.width(), image.height()) == (WIDTH, HEIGHT)
    assert (tmp_path / "run.png").read_bytes() == png_bytes(draw_run(make_run()))


@pytest.mark.parametrize(
    ("content", "said"),
    [(b"{}", "not a measured run"), (b"x", "not JSON"), (None, "cannot be read")],
)
def test_a_bad_input_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: bytes | None, said: str
) -> None:
    if content is not None:
        (tmp_path / "run.json").write_bytes(content)
    assert main([str(tmp_path / "run.json"), str(tmp_path / "run.png")]) == 1
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1
    assert not (tmp_path / "run.png").exists()


def test_the_run_can_come_by_the_input(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stream = io.TextIOWrapper(io.BytesIO(run_to_bytes(make_run())))
    monkeypatch.setattr(sys, "stdin", stream)
    assert main(["-", str(tmp_path / "run.png")]) == 0
    assert (tmp_path / "run.png").stat().st_size > 10_000
