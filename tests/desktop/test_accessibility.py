"""Everything can be named, reached and done with the keyboard alone, on every page."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QAction
from PySide6.QtWidgets import (
    QAbstractButton,
    QAbstractItemView,
    QAbstractScrollArea,
    QAbstractSpinBox,
    QComboBox,
    QLabel,
    QLineEdit,
    QListView,
    QPlainTextEdit,
    QScrollArea,
    QTabBar,
    QTabWidget,
    QTextEdit,
    QWidget,
)
from pytestqt.qtbot import QtBot
from window_kit import Workshop, choose

from toneapp.desktop.help_page import help_html
from toneapp.desktop.lane_order import LaneOrder
from toneapp.desktop.main_window import MainWindow
from toneapp.desktop.map_lanes import LANE_KINDS
from toneapp.desktop.models import AppModel
from toneapp.desktop.pages.base import Page
from toneapp.desktop.theme import LIGHT


@pytest.fixture
def whole(qtbot: QtBot, window: MainWindow, model: AppModel, workshop: Workshop) -> MainWindow:
    """The window with all its pages, a run chosen."""
    choose(qtbot, model, workshop.before)
    window.build_pages()
    for name in window.page_names:
        window.show_page(name)
    qtbot.waitUntil(lambda: model.tasks.is_idle)
    return window


def controls(window: MainWindow) -> Iterator[QWidget]:
    """What takes the keyboard, without the inner parts of other controls."""
    for widget in window.findChildren(QWidget):
        if widget.focusPolicy() is Qt.FocusPolicy.NoFocus:
            continue
        parents = [widget.parent()]
        while parents[-1] is not None:
            parents.append(parents[-1].parent())
        if isinstance(widget, QScrollArea | QLabel):  # boxes, and text to be copied
            continue
        if any(isinstance(p, QComboBox | QAbstractSpinBox) for p in parents):
            continue
        if isinstance(widget.parent(), QTabWidget | QTabBar):  # the tabs are named as a whole
            assert all(isinstance(p, QTabBar) or p.accessibleName() for p in parents[:1])
            continue
        if isinstance(widget.parent(), QAbstractScrollArea):  # viewports and the like
            continue
        yield widget


def test_every_control_has_a_name(whole: MainWindow) -> None:
    nameless = [
        f"{type(w).__name__} in {type(w.parent()).__name__}"
        for w in controls(whole)
        if not w.accessibleName() and not (isinstance(w, QAbstractButton) and w.text())
    ]
    assert nameless == []


def test_no_field_keeps_the_tab_key(whole: MainWindow) -> None:
    for widget in controls(whole):
        if isinstance(widget, QAbstractItemView) and not isinstance(widget, QListView):
            assert not widget.tabKeyNavigation(), widget.accessibleName()
        if isinstance(widget, QTextEdit | QPlainTextEdit) and not widget.isReadOnly():
            assert widget.tabChangesFocus(), widget.accessibleName()


def test_every_control_of_a_page_lies_on_the_way_of_the_tab_key(whole: MainWindow) -> None:
    for name in whole.page_names:
        page = whole.page_of(name)
        first: QWidget = page
        on_the_way = {first}
        at = first.nextInFocusChain()
        while at is not first and len(on_the_way) < 10_000:
            on_the_way.add(at)
            at = at.nextInFocusChain()
        assert {w for w in controls(whole) if page.isAncestorOf(w)} <= on_the_way, name


def page_of(action: QAction) -> Page | None:
    owner = action.parent()
    while owner is not None and not isinstance(owner, Page):
        owner = owner.parent()
    return owner if isinstance(owner, Page) else None


def test_no_two_shortcuts_are_the_same_where_both_hold(whole: MainWindow) -> None:
    taken: dict[tuple[QWidget | None, str], str] = {}
    for action in whole.actions_by_name:
        owner = action.parent()
        own = owner if page_of(action) is not None and isinstance(owner, QWidget) else None
        for shortcut in action.shortcuts():
            key = (own, shortcut.toString())
            assert key not in taken, (action.objectName(), taken.get(key), shortcut.toString())
            taken[key] = action.objectName()
    everywhere = {keys for (owner, keys) in taken if owner is None}
    assert everywhere
    for (owner, keys), name in taken.items():
        if owner is not None:
            assert keys not in everywhere, (name, keys)


def test_every_action_has_a_sentence_and_every_shortcut_stands_in_the_help(
    whole: MainWindow,
) -> None:
    text = help_html(whole.actions_by_name, LIGHT)
    for action in whole.actions_by_name:
        assert action.whatsThis(), action.objectName()
        if not action.shortcut().isEmpty():
            page = page_of(action)
            assert f"<h3>{'Everywhere' if page is None else page.title}</h3>" in text


def test_every_field_and_button_says_what_it_is_for(whole: MainWindow) -> None:
    for widget in controls(whole):
        if isinstance(widget, QAbstractButton):
            said = widget.toolTip() or widget.accessibleDescription() or widget.text()
            assert said, widget.objectName()
        if isinstance(widget, QLineEdit):
            assert widget.accessibleName(), widget.placeholderText()


def test_every_lane_is_said_with_a_unit_and_a_plain_sentence() -> None:
    for key in (*LaneOrder().shown, *LANE_KINDS):
        kind = LANE_KINDS[key]
        assert kind.sentence.endswith(".")
        assert kind.sentence.count(". ") == 0
        assert kind.unit or key == "inharmonicity"  # a coefficient without unit
