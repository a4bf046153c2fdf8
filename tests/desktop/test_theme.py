"""Colours can be read, and follow the choice of the person."""

from __future__ import annotations

from dataclasses import fields

import pytest
from PySide6.QtGui import QColor, QPalette
from PySide6.QtWidgets import QApplication, QCheckBox
from pytestqt.qtbot import QtBot

from toneapp.desktop.theme import DARK, LIGHT, Colours, Theme, ThemeMode


def luminance(colour: str) -> float:
    """Relative luminance, W3C Web Content Accessibility Guidelines 2.1."""
    parts = [QColor(colour).redF(), QColor(colour).greenF(), QColor(colour).blueF()]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, two: str) -> float:
    """Contrast ratio, W3C Web Content Accessibility Guidelines 2.1."""
    low, high = sorted((luminance(one), luminance(two)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
class TestContrast:
    # 4.5:1 for text and 3:1 for signs: Web Content Accessibility Guidelines 2.1, AA.

    @pytest.mark.parametrize("ground", ["paper", "window", "lane"])
    @pytest.mark.parametrize("text", ["ink", "muted", "accent"])
    def test_text_can_be_read(self, colours: Colours, text: str, ground: str) -> None:
        assert contrast(getattr(colours, text), getattr(colours, ground)) >= 4.5

    def test_text_on_marked_rows_and_buttons_can_be_read(self, colours: Colours) -> None:
        assert contrast(colours.ink, colours.selected) >= 4.5
        assert contrast(colours.accent_ink, colours.accent) >= 4.5

    @pytest.mark.parametrize("sign", ["point", "other", "second"])
    def test_signs_can_be_seen(self, colours: Colours, sign: str) -> None:
        assert contrast(getattr(colours, sign), colours.lane) >= 3.0

    def test_the_trend_lies_behind_the_points(self, colours: Colours) -> None:
        assert contrast(colours.trend, colours.lane) < contrast(colours.point, colours.lane)

    def test_every_colour_is_one(self, colours: Colours) -> None:
        assert all(QColor(getattr(colours, item.name)).isValid() for item in fields(colours))


@pytest.mark.parametrize("mode", [ThemeMode.LIGHT, ThemeMode.DARK])
def test_a_ticked_box_bears_a_mark(qtbot: QtBot, qapp: QApplication, mode: ThemeMode) -> None:
    theme = Theme(mode)
    theme.apply(qapp)
    box = QCheckBox("done")
    qtbot.addWidget(box)
    mark = QColor(theme.colours.accent_ink)

    def in_mark_colour() -> int:
        image = box.grab().toImage()
        return sum(
            image.pixelColor(x, y) == mark
            for x in range(3, 20)
            for y in range(image.height() // 2 - 8, image.height() // 2 + 8)
        )

    box.setChecked(True)
    assert 10 <= in_mark_colour() <= 100


def test_the_choice_takes_effect_and_is_told(qtbot: QtBot, qapp: QApplication) -> None:
    theme = Theme(ThemeMode.LIGHT)
    with qtbot.waitSignal(theme.changed):
        theme.set_mode(ThemeMode.DARK)
    assert theme.colours is DARK
    assert qapp.palette().color(QPalette.ColorRole.Base) == QColor(DARK.paper)
    with qtbot.waitSignal(theme.changed):
        theme.set_base_pt(16.0)
    assert qapp.font().pointSizeF() == 16.0
    theme.set_base_pt(12.0)
    theme.set_mode(ThemeMode.LIGHT)


def test_the_size_of_text_stays_readable(qapp: QApplication) -> None:  # noqa: ARG001
    assert Theme(base_pt=2.0).base_pt == 9.0
    assert Theme(base_pt=99.0).base_pt == 22.0
