"""A table keeps its choice, opens rows, and sends on what is typed and ticked."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest
from PySide6.QtCore import QPoint, Qt
from pytestqt.qtbot import QtBot

from toneapp.desktop.row_table import Column, RowTable
from toneapp.desktop.theme import Theme


@dataclass(frozen=True)
class Row:
    number: int
    text: str
    is_done: bool = False


class Typed:
    """Notes what is typed and ticked."""

    def __init__(self) -> None:
        self.texts: list[tuple[int, str]] = []
        self.ticks: list[tuple[int, bool]] = []


@pytest.fixture
def typed() -> Typed:
    return Typed()


@pytest.fixture
def table(qtbot: QtBot, theme: Theme, typed: Typed) -> RowTable:
    made = RowTable(
        (
            Column(
                title="Done",
                text=lambda _row: "",
                is_checked=lambda row: row.is_done,
                check=lambda row, on: typed.ticks.append((row.number, on)),
            ),
            Column(title="Number", text=lambda row: str(row.number), is_number=True),
            Column(
                title="Text",
                text=lambda row: row.text,
                edit=lambda row, text: typed.texts.append((row.number, text)),
            ),
        ),
        theme,
        key=lambda row: row.number,
        name="Rows",
    )
    qtbot.addWidget(made)
    made.resize(500, 300)
    made.show()
    made.set_rows([Row(1, "one"), Row(2, "two"), Row(3, "three")])
    return made


def test_the_first_row_is_chosen_at_first(table: RowTable) -> None:
    assert table.chosen == Row(1, "one")


def test_the_choice_stays_with_its_row(table: RowTable) -> None:
    table.choose(2)
    table.set_rows([Row(0, "nought"), Row(1, "one"), Row(2, "changed")])
    assert table.chosen == Row(2, "changed")


def test_when_the_chosen_row_goes_another_is_chosen(qtbot: QtBot, table: RowTable) -> None:
    table.choose(2)
    with qtbot.waitSignal(table.chosen_changed):
        table.set_rows([Row(1, "one"), Row(3, "three")])
    assert table.chosen in table.rows_model.rows
    table.set_rows([])
    assert table.chosen is None


def test_enter_opens_a_row_that_is_not_typed_into(qtbot: QtBot, table: RowTable) -> None:
    table.setCurrentIndex(table.rows_model.index(1, 1))
    with qtbot.waitSignal(table.opened) as told:
        qtbot.keyClick(table, Qt.Key.Key_Return)
    assert told.args == [Row(2, "two")]


def test_a_double_click_opens_a_row(qtbot: QtBot, table: RowTable) -> None:
    place = table.visualRect(table.rows_model.index(2, 1)).center()
    qtbot.mouseClick(table.viewport(), Qt.MouseButton.LeftButton, pos=place)
    with qtbot.waitSignal(table.opened) as told:
        qtbot.mouseDClick(table.viewport(), Qt.MouseButton.LeftButton, pos=place)
    assert told.args == [Row(3, "three")]


def test_what_is_typed_is_sent_on_once(table: RowTable, typed: Typed) -> None:
    index = table.rows_model.index(0, 2)
    assert table.rows_model.setData(index, "one")  # the same as before: nothing to do
    assert table.rows_model.setData(index, "won")
    assert typed.texts == [(1, "won")]


def test_space_ticks_a_row(qtbot: QtBot, table: RowTable, typed: Typed) -> None:
    table.setCurrentIndex(table.rows_model.index(1, 0))
    qtbot.keyClick(table, Qt.Key.Key_Space)
    assert typed.ticks == [(2, True)]
    table.set_rows([replace(row, is_done=row.number == 2) for row in table.rows_model.rows])
    qtbot.keyClick(table, Qt.Key.Key_Space)
    assert typed.ticks == [(2, True), (2, False)]


def test_a_cell_tells_its_column_to_those_who_hear_it(table: RowTable) -> None:
    index = table.rows_model.index(2, 2)
    role = Qt.ItemDataRole.AccessibleTextRole
    assert table.rows_model.data(index, role) == "Text: three"


def test_a_click_anywhere_in_the_cell_ticks(qtbot: QtBot, table: RowTable, typed: Typed) -> None:
    table.resize(600, 300)
    table.show()
    cell = table.visualRect(table.rows_model.index(0, 0))
    for place in (cell.center(), cell.topLeft() + QPoint(3, 3)):
        qtbot.mouseClick(table.viewport(), Qt.MouseButton.LeftButton, pos=place)
    assert typed.ticks == [(1, True), (1, True)]  # the row itself comes from elsewhere
    table.setFocus()
    table.setCurrentIndex(table.rows_model.index(0, 0))
    qtbot.keyClick(table, Qt.Key.Key_Space)
    assert typed.ticks[-1] == (1, True)
    assert len(typed.ticks) == 3
