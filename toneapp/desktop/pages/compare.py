"""How do two to six runs compare: before and after, or several instruments?

Classes: `ComparePage`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QFocusEvent, QIcon, QPainter, QPixmap
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QMenu,
    QSizePolicy,
    QSplitter,
    QTabWidget,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from toneapp.desktop.actions import Actions
from toneapp.desktop.compare_figures import CompareFigures
from toneapp.desktop.compare_map import CompareMap
from toneapp.desktop.compare_painting import paint_run_sign
from toneapp.desktop.compare_view import CompareView, compare_view
from toneapp.desktop.models import AppModel
from toneapp.desktop.pages.base import Page
from toneapp.desktop.theme import BIG_TARGET_PX, GAP_PX, Theme
from toneapp.library import Library

__all__ = ["ComparePage"]

FEWEST, MOST = 2, 6
_ID = Qt.ItemDataRole.UserRole
_SIGN_PX = 16
_TICK_PX = 16
READOUT_LINES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class _Choice:
    """A measured run that can be ticked."""

    run_id: int
    instrument_id: int
    title: str
    recorded_at: str


class ComparePage(Page):
    """Runs to tick at the left; lanes and figures at the right."""

    name: ClassVar[str] = "compare"
    title: ClassVar[str] = "Compare"
    empty_text: ClassVar[str] = (
        "Comparing needs two measured runs in the library: two of one instrument for before and "
        "after, or runs of several instruments. Record or import another run."
    )

    def __init__(
        self, model: AppModel, theme: Theme, actions: Actions, parent: QWidget | None = None
    ) -> None:
        super().__init__(model, theme, actions, parent)
        self._view: CompareView | None = None
        self._choices: tuple[_Choice, ...] = ()
        self._seen_pair: tuple[int, int] = (0, 0)
        self._shown_lanes: dict[str, bool] = {}
        self.map = CompareMap(theme, self.body)
        self.map.setObjectName("compare_map")
        actions.add(
            "compare_sheet",
            "Sheet of these runs",
            on=self._make_sheet,
            help_text="Make a sheet of the ticked runs, to print or to send.",
            page=self,
        )
        self._build()
        self._connect()

    def follow(self) -> tuple[str, ...]:
        """Refresh when runs come or go, or the chosen ones change."""
        return ("library_changed", "run_changed", "compared_run_changed")

    def empty_state(self) -> str:
        """Say the next step while there are not two measured runs."""
        return self.empty_text if len(self._measured_runs()) < FEWEST else ""

    def empty_actions(self) -> tuple[str, ...]:
        """Offer to record, to import, and the instruments."""
        return ("page_record", "import_file", "page_instruments")

    def refresh(self) -> None:
        """List the runs; tick the chosen run and the one beside it when these are others."""
        ticked = self.ticked()
        self._choices = self._measured_runs()
        known = {choice.run_id for choice in self._choices}
        ticked = [run_id for run_id in ticked if run_id in known]
        pair = (self.model.run_id, self.model.compared_run_id)
        if pair != self._seen_pair or not ticked:
            self._seen_pair = pair
            wanted = self._first_choice()
            ticked = wanted or ticked
        colours = self.theme.colours
        self.runs.setStyleSheet(
            f"QListWidget::indicator {{ width: {_TICK_PX}px; height: {_TICK_PX}px; "
            f"border: 2px solid {colours.muted}; border-radius: 4px; "
            f"background: {colours.paper}; }} "
            f"QListWidget::indicator:checked {{ background: {colours.accent}; "
            f"border-color: {colours.accent}; }}"
        )
        self._fill_list(ticked)
        self._prepare()

    def focusInEvent(self, event: QFocusEvent) -> None:
        """Give the keyboard to the list of runs."""
        super().focusInEvent(event)
        self.runs.setFocus(Qt.FocusReason.OtherFocusReason)

    @property
    def view(self) -> CompareView | None:
        """What is shown, with all its lanes."""
        return self._view

    def readout(self) -> str:
        """Return what is said of the key at hand."""
        return self._readout.text()

    def warnings(self) -> str:
        """Return what is to be kept in mind."""
        return self._warnings.text()

    def hint(self) -> str:
        """Return what is said about the ticks; empty when they are right."""
        return self._hint.text()

    def ticked(self) -> list[int]:
        """Numbers of the ticked runs, in the order of the list."""
        found = []
        for place in range(self.runs.count()):
            item = self.runs.item(place)
            if item.checkState() is Qt.CheckState.Checked:
                found.append(int(item.data(_ID)))
        return found

    def choose_runs(self, run_ids: Sequence[int]) -> None:
        """Tick these runs and no others."""
        self._fill_list(list(run_ids))
        self._prepare()

    # Building

    def _build(self) -> None:
        heading = QLabel(f"&Runs, {FEWEST} to {MOST}", self.body)
        self.runs = QListWidget(self.body)
        self.runs.setAccessibleName("Runs to compare")
        self.runs.setToolTip("Tick two to six runs; two of one instrument are before and after")
        self.runs.setTextElideMode(Qt.TextElideMode.ElideRight)
        self.runs.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.runs.setSpacing(2)
        heading.setBuddy(self.runs)
        self._hint = QLabel(self.body)
        self._hint.setWordWrap(True)
        self._hint.setProperty("accent", "true")
        left = QWidget(self.body)
        column = QVBoxLayout(left)
        column.setContentsMargins(0, 0, GAP_PX // 2, 0)
        column.addWidget(heading)
        column.addWidget(self.runs, 1)
        column.addWidget(self._hint)
        self.sheet_button = self.actions_of_window.button("compare_sheet", left)
        self.sheet_button.setMinimumHeight(BIG_TARGET_PX)
        self.sheet_button.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        column.addWidget(self.sheet_button)

        self._warnings = QLabel(self.body)
        self._warnings.setWordWrap(True)
        self._warnings.setTextFormat(Qt.TextFormat.PlainText)
        self._warnings.setAccessibleName("What to keep in mind")
        self._readout = QLabel(self.body)
        self._readout.setWordWrap(True)
        self._readout.setTextFormat(Qt.TextFormat.PlainText)
        self._readout.setAlignment(Qt.AlignmentFlag.AlignVCenter)
        self._readout.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.lanes_menu = QMenu(self.body)
        self.lanes_button = QToolButton(self.body)
        self.lanes_button.setText("&Lanes")
        self.lanes_button.setToolTip("Which measures stand above the keyboard")
        self.lanes_button.setAccessibleName("Lanes")
        self.lanes_button.setMenu(self.lanes_menu)
        self.lanes_button.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        self.lanes_button.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        top = QHBoxLayout()
        top.setSpacing(GAP_PX)
        top.addWidget(self.lanes_button)
        top.addWidget(self._readout, 1)
        over = QWidget(self.body)
        over_column = QVBoxLayout(over)
        over_column.setContentsMargins(GAP_PX // 2, GAP_PX // 2, GAP_PX // 2, GAP_PX // 2)
        over_column.addLayout(top)
        over_column.addWidget(self.map, 1)
        self.tables = CompareFigures(self.body)
        self.figures = self.tables.figures
        self.differences = self.tables.differences
        self.changes = self.tables.changes
        self.tabs = QTabWidget(self.body)
        self.tabs.setAccessibleName("Comparison")
        self.tabs.addTab(over, "Over the keyboard")
        self.tabs.addTab(self.tables, "Figures")
        right = QWidget(self.body)
        right_column = QVBoxLayout(right)
        right_column.setContentsMargins(GAP_PX // 2, 0, 0, 0)
        right_column.addWidget(self._warnings)
        right_column.addWidget(self.tabs, 1)
        self.parts = QSplitter(Qt.Orientation.Horizontal, self.body)
        self.parts.setChildrenCollapsible(False)
        self.parts.addWidget(left)
        self.parts.addWidget(right)
        self.parts.setStretchFactor(1, 1)
        self.parts.setSizes([270, 830])
        whole = QVBoxLayout(self.body)
        whole.setContentsMargins(GAP_PX, GAP_PX // 2, GAP_PX, GAP_PX // 2)
        whole.addWidget(self.parts)

    def _connect(self) -> None:
        self.runs.itemChanged.connect(self._tick_changed)
        self.map.key_chosen.connect(self.model.choose_note)
        self.map.key_opened.connect(self._open)
        self.map.key_hovered.connect(self._read_out)
        self.model.note_changed.connect(self._note_changed)

    # Runs

    def _measured_runs(self) -> tuple[_Choice, ...]:
        def read(library: Library) -> tuple[_Choice, ...]:
            runs = library.runs.all()
            measured = library.measuring.figures([run.id for run in runs])
            names = {item.id: item.name for item in library.instruments.all()}
            return tuple(
                _Choice(
                    run_id=run.id,
                    instrument_id=run.instrument_id,
                    title=f"{names[run.instrument_id]}\n{run.condition or 'run'}\n"
                    f"{run.recorded_at[:10]}, {run.purpose.value}",
                    recorded_at=run.recorded_at,
                )
                for run in runs
                if run.id in measured and run.instrument_id in names
            )

        found = self.model.read(read, ())
        return tuple(sorted(found, key=lambda c: (c.instrument_id, c.recorded_at, c.run_id)))

    def _first_choice(self) -> list[int]:
        """Return the chosen run with the one beside it, or with the one before it."""
        run_id, beside = self._seen_pair
        if not run_id:
            latest = self._choices[-1]
            of_it = [c for c in self._choices if c.instrument_id == latest.instrument_id]
            return [c.run_id for c in (of_it if len(of_it) > 1 else self._choices)[-FEWEST:]]
        own = next((c for c in self._choices if c.run_id == run_id), None)
        if own is None:
            return []
        if beside:
            return [run_id, beside]
        same = [c for c in self._choices if c.instrument_id == own.instrument_id and c is not own]
        others = same or [c for c in self._choices if c is not own]
        return [run_id, others[-1].run_id] if others else [run_id]

    def _fill_list(self, ticked: list[int]) -> None:
        self.runs.blockSignals(True)
        current = max(self.runs.currentRow(), 0)
        self.runs.clear()
        numbers: dict[int, int] = {}
        for choice in self._choices:
            if choice.run_id in ticked:
                numbers[choice.run_id] = len(numbers) + 1
        for choice in self._choices:
            item = QListWidgetItem(choice.title)
            item.setFlags(item.flags() | Qt.ItemFlag.ItemIsUserCheckable)
            number = numbers.get(choice.run_id)
            item.setCheckState(Qt.CheckState.Checked if number else Qt.CheckState.Unchecked)
            item.setData(_ID, choice.run_id)
            item.setToolTip(choice.title.replace("\n", ", "))
            if number:
                item.setText(f"[{number}] {choice.title}")
                item.setIcon(self._sign(number))
            self.runs.addItem(item)
        self.runs.setCurrentRow(min(current, self.runs.count() - 1))
        self.runs.blockSignals(False)

    def _sign(self, number: int) -> QIcon:
        """Shape and colour of a run as its sign in the list."""
        ratio = self.devicePixelRatioF()
        picture = QPixmap(round(_SIGN_PX * ratio), round(_SIGN_PX * ratio))
        picture.setDevicePixelRatio(ratio)
        picture.fill(Qt.GlobalColor.transparent)
        painter = QPainter(picture)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        middle = QPointF(_SIGN_PX / 2, _SIGN_PX / 2)
        paint_run_sign(painter, number, middle, 11.0, colours=self.theme.colours)
        painter.end()
        return QIcon(picture)

    def _tick_changed(self, item: QListWidgetItem) -> None:
        ticked = self.ticked()
        if len(ticked) > MOST:
            self.runs.blockSignals(True)
            item.setCheckState(Qt.CheckState.Unchecked)
            self.runs.blockSignals(False)
            self._say_hint(f"No more than {MOST} runs; take another tick away first.")
            return
        self._fill_list(ticked)
        self._prepare()

    # Showing

    def _prepare(self) -> None:
        """Compare the ticked runs off the GUI thread."""
        ticked = self.ticked()
        self.actions_of_window["compare_sheet"].setEnabled(len(ticked) >= FEWEST)
        if len(ticked) < FEWEST:
            self._say_hint("Tick two runs or more.")
            return
        self._say_hint("")
        chosen = [choice for choice in self._choices if choice.run_id in ticked]
        is_pair = len(chosen) == 2 and chosen[0].instrument_id == chosen[1].instrument_id

        def prepare(library: Library) -> CompareView:
            ids = [choice.run_id for choice in chosen]
            pair = library.compare_before_after(ids[0], ids[1]) if is_pair else None
            return compare_view(library.compare_instruments(ids), pair)

        self.model.ask(prepare, self._show, key=f"compare {id(self)}")

    def _show(self, view: CompareView) -> None:
        self._view = view
        self._offer_lanes(view)
        self._show_lanes()
        self.map.set_chosen(self.model.midi)
        self._warnings.setText(
            "\n".join(f"\N{WARNING SIGN} {text[:1].upper()}{text[1:]}." for text in view.warnings)
        )
        self._warnings.setVisible(bool(view.warnings))
        self.tables.show_figures(view)
        self._readout.setFont(self.theme.font(scale=0.92))
        self._readout.setFixedHeight(READOUT_LINES * self._readout.fontMetrics().lineSpacing() + 4)
        self._read_out()

    def _make_sheet(self) -> None:
        self.model.want_sheet_of(self.ticked())

    def _offer_lanes(self, view: CompareView) -> None:
        """List the lanes there are, with the ticks as they were."""
        for lane in view.lanes:
            self._shown_lanes.setdefault(lane.title, lane.is_usual)
        self.lanes_menu.clear()
        for lane in view.lanes:
            action = self.lanes_menu.addAction(lane.title)
            action.setCheckable(True)
            action.setChecked(self._shown_lanes[lane.title])
            action.setToolTip(lane.sentence)
            action.toggled.connect(
                lambda is_on, title=lane.title: self._lane_toggled(title, is_on=is_on)
            )

    def _lane_toggled(self, title: str, *, is_on: bool) -> None:
        self._shown_lanes[title] = is_on
        self._show_lanes()

    def _show_lanes(self) -> None:
        if self._view is None:
            return
        shown = tuple(lane for lane in self._view.lanes if self._shown_lanes[lane.title])
        self.map.set_view(replace(self._view, lanes=shown))
        self._read_out()

    def _say_hint(self, text: str) -> None:
        self._hint.setText(text)
        self._hint.setVisible(bool(text))

    def _note_changed(self, midi: int) -> None:
        self.map.set_chosen(midi)
        self._read_out()

    def _open(self, midi: int) -> None:
        self.model.choose_note(midi)
        self.model.go("note")

    def _read_out(self, midi: int = 0) -> None:
        """Say the values of the key below the pointer, or of the chosen one."""
        text = self.map.text_of(midi or self.map.chosen)
        shown = "  ·  ".join(text.splitlines())
        self._readout.setText(shown or "Point at a key to read its values; Enter opens it.")
        self._readout.setToolTip(text)
