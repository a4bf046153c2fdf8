"""Which sheet, of which runs? What is to be chosen beside the preview.

Classes: `SheetPanel`.
"""

from __future__ import annotations

from dataclasses import replace

from PySide6.QtCore import QSignalBlocker, Qt, Signal
from PySide6.QtGui import QStandardItem, QStandardItemModel
from PySide6.QtWidgets import (
    QButtonGroup,
    QComboBox,
    QFormLayout,
    QGridLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QSizePolicy,
    QStackedWidget,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from toneapp.desktop.sheet_choice import MOST, Choices, RunChoice, SheetKind, Wish
from toneapp.desktop.theme import BIG_TARGET_PX, GAP_PX, Theme
from toneapp.sheets.comparison import LETTERS
from toneapp.sheets.typed import shortened

__all__ = ["SheetPanel"]

_ID = Qt.ItemDataRole.UserRole
_NOT_MEASURED = "not measured yet"
_LONGEST = 90

_FOR_WHAT = {
    SheetKind.COMPARISON: f"For a buyer: 2 to {MOST} runs, side by side.",
    SheetKind.CHANGE: "To show what the work did: two runs of one instrument.",
    SheetKind.WORKLIST: "For the bench, in large type: notes, reasons, steps, boxes to tick.",
    SheetKind.WORKSHEET: "Findings, work and weights of one instrument.",
}


class SheetPanel(QWidget):
    """Kind of sheet, and what it is made of.

    Attributes
    ----------
    wish_changed : Signal
        The person chose something else; `wish` says what.
    """

    wish_changed = Signal()

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = theme
        self._choices = Choices()
        self._wish = Wish()
        self._build()

    @property
    def wish(self) -> Wish:
        """What is wanted."""
        return self._wish

    def show_choices(self, choices: Choices, wish: Wish) -> None:
        """Offer what the library holds, with something chosen."""
        self._choices = choices
        self._wish = wish
        self._show()

    def choose_kind(self, kind: SheetKind) -> None:
        """Choose a kind of sheet."""
        if kind is not self._wish.kind:
            self._change(replace(self._wish, kind=kind))

    # Building

    def _build(self) -> None:
        self.kinds = QButtonGroup(self)
        self.kind_buttons: dict[SheetKind, QToolButton] = {}
        grid = QGridLayout()
        grid.setSpacing(GAP_PX // 2)
        for place, kind in enumerate(SheetKind):
            button = QToolButton(self)
            button.setText(kind.words)
            button.setToolTip(_FOR_WHAT[kind])
            button.setAccessibleDescription(_FOR_WHAT[kind])
            button.setCheckable(True)
            button.setMinimumHeight(BIG_TARGET_PX)
            button.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
            button.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
            self.kinds.addButton(button, place)
            self.kind_buttons[kind] = button
            grid.addWidget(button, place // 2, place % 2)
        self.kinds.idClicked.connect(lambda place: self.choose_kind(tuple(SheetKind)[place]))
        self.for_what = QLabel(self)
        self.for_what.setWordWrap(True)
        self.for_what.setProperty("muted", True)
        self.runs = QListWidget(self)
        self.runs.setAccessibleName("Runs to compare")
        self.runs.setToolTip(f"Tick two to {MOST} runs; differences refer to the first one, A")
        self.runs.setSpacing(2)
        self.runs.setMinimumHeight(3 * BIG_TARGET_PX)
        self.runs.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.runs.itemChanged.connect(self._ticked)
        self.before = self._combo("Before", self._pair_chosen)
        self.after = self._combo("After", self._pair_chosen)
        self.run = self._combo("Run", self._run_chosen)
        self.instrument = self._combo("Instrument", self._instrument_chosen)
        self._of = QStackedWidget(self)
        self._of.addWidget(self.runs)
        for rows in (
            (("&Before", self.before), ("&After", self.after)),
            (("&Run", self.run),),
            (("&Instrument", self.instrument),),
        ):
            part = QWidget(self)
            form = QFormLayout(part)
            form.setContentsMargins(0, 0, 0, 0)
            form.setSpacing(GAP_PX)
            form.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapAllRows)
            for label, combo in rows:
                form.addRow(label, combo)
            self._of.addWidget(part)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(GAP_PX // 2)
        column.addLayout(grid)
        column.addWidget(self.for_what)
        column.addWidget(self._of, 1)

    def _combo(self, name: str, on: object) -> QComboBox:
        combo = QComboBox(self)
        combo.setAccessibleName(name)
        combo.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        combo.setMinimumContentsLength(12)
        combo.currentIndexChanged.connect(on)
        return combo

    # Showing

    def _show(self) -> None:
        kind = self._wish.kind
        had_focus = any(button.hasFocus() for button in self.kind_buttons.values())
        self.kind_buttons[kind].setChecked(True)
        if had_focus:
            self.kind_buttons[kind].setFocus(Qt.FocusReason.OtherFocusReason)
        self.for_what.setText(_FOR_WHAT[kind])
        self._of.setCurrentIndex(tuple(SheetKind).index(kind))
        self._fill_runs()
        self._fill(self.before, self._choices.runs, self._wish.before_id)
        before = self._choices.run(self._wish.before_id)
        beside = [
            run
            for run in self._choices.runs
            if before is None or run.instrument_id == before.instrument_id
        ]
        self._fill(self.after, beside, self._wish.after_id)
        self._fill(self.run, self._choices.runs, self._wish.run_id)
        with QSignalBlocker(self.instrument):
            self.instrument.clear()
            for item in self._choices.instruments:
                self.instrument.addItem(shortened(item.name, _LONGEST), item.instrument_id)
            self.instrument.setCurrentIndex(self.instrument.findData(self._wish.instrument_id))

    def _fill_runs(self) -> None:
        """List the runs; the ticked ones with their letters."""
        letters = dict(zip(self._wish.run_ids, LETTERS, strict=False))
        with QSignalBlocker(self.runs):
            current = max(self.runs.currentRow(), 0)
            self.runs.clear()
            for run in self._choices.runs:
                letter = letters.get(run.run_id)
                item = QListWidgetItem(_two_lines(run, letter))
                item.setData(_ID, run.run_id)
                item.setToolTip(shortened(run.title, 4 * _LONGEST))
                item.setCheckState(Qt.CheckState.Checked if letter else Qt.CheckState.Unchecked)
                flags = item.flags() | Qt.ItemFlag.ItemIsUserCheckable
                if not run.is_measured and not letter:
                    flags &= ~Qt.ItemFlag.ItemIsEnabled
                item.setFlags(flags)
                self.runs.addItem(item)
            self.runs.setCurrentRow(min(current, self.runs.count() - 1))
        colours = self._theme.colours
        self.runs.setStyleSheet(
            "QListWidget::indicator { width: 16px; height: 16px; "
            f"border: 2px solid {colours.muted}; border-radius: 4px; "
            f"background: {colours.paper}; }} "
            f"QListWidget::indicator:checked {{ background: {colours.accent}; "
            f'border-color: {colours.accent}; image: url("{colours.tick}"); }} '
            f"QListWidget::indicator:disabled {{ border-color: {colours.grid}; }}"
        )

    def _fill(self, combo: QComboBox, runs: tuple[RunChoice, ...] | list[RunChoice],
              chosen: int) -> None:  # fmt: skip
        with QSignalBlocker(combo):
            rows = QStandardItemModel(combo)
            for run in runs:
                row = QStandardItem(_title(run))
                row.setData(run.run_id, _ID)
                row.setToolTip(shortened(run.title, 4 * _LONGEST))
                row.setEnabled(run.is_measured)
                rows.appendRow(row)
            combo.setModel(rows)
            combo.setCurrentIndex(combo.findData(chosen))
            combo.setToolTip(combo.currentText())
            combo.setPlaceholderText("choose")

    # Choosing

    def _change(self, wish: Wish) -> None:
        self._wish = wish
        self._show()
        self.wish_changed.emit()

    def _ticked(self, item: QListWidgetItem) -> None:
        run_id = int(item.data(_ID))
        ids = [known for known in self._wish.run_ids if known != run_id]
        if item.checkState() is Qt.CheckState.Checked:
            if len(ids) >= MOST:
                self.for_what.setText(f"No more than {MOST} runs; take another tick away first.")
                self._fill_runs()
                return
            ids.append(run_id)
        self._change(replace(self._wish, run_ids=tuple(ids)))

    def _pair_chosen(self, _index: int) -> None:
        before_id = int(self.before.currentData() or 0)
        after_id = int(self.after.currentData() or 0)
        before, after = self._choices.run(before_id), self._choices.run(after_id)
        if before is not None and (
            after is None or after.instrument_id != before.instrument_id or after is before
        ):
            later = [
                run
                for run in self._choices.of_instrument(before.instrument_id)
                if run is not before
            ]
            after_id = later[-1].run_id if later else 0
        self._change(replace(self._wish, before_id=before_id, after_id=after_id))

    def _run_chosen(self, _index: int) -> None:
        self._change(replace(self._wish, run_id=int(self.run.currentData() or 0)))

    def _instrument_chosen(self, _index: int) -> None:
        number = int(self.instrument.currentData() or 0)
        self._change(replace(self._wish, instrument_id=number))


def _two_lines(run: RunChoice, letter: str | None) -> str:
    """Instrument with its letter, and below it which run."""
    name = shortened(run.instrument, _LONGEST)
    below = shortened(run.words, _LONGEST)
    if not run.is_measured:
        below += f" ({_NOT_MEASURED})"
    head = f"{letter} \N{MIDDLE DOT} {name}" if letter else name
    return f"{head}\n{below}"


def _title(run: RunChoice) -> str:
    title = shortened(run.title, _LONGEST)
    return title if run.is_measured else f"{title} ({_NOT_MEASURED})"
