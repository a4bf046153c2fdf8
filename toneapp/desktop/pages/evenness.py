"""Every key of a run against the instrument's own trend, and what is to be done about it.

Classes: `EvennessPage`.
"""

from __future__ import annotations

from typing import ClassVar

from PySide6.QtCore import QByteArray, Qt
from PySide6.QtGui import QFocusEvent, QShowEvent
from PySide6.QtWidgets import QHBoxLayout, QLabel, QSizePolicy, QSplitter, QVBoxLayout, QWidget

from toneapp.desktop.actions import Actions
from toneapp.desktop.elided_label import ElidedLabel
from toneapp.desktop.evenness_map import EvennessMap
from toneapp.desktop.evenness_view import (
    ZOOM_OCTAVES,
    EvennessView,
    evenness_view,
    key_lines,
    key_title,
    run_figures,
)
from toneapp.desktop.lane_chooser import LaneChooser
from toneapp.desktop.lane_order import LaneOrder
from toneapp.desktop.models import AppModel
from toneapp.desktop.pages.base import Page
from toneapp.desktop.pages.worklist import WorklistPanel
from toneapp.desktop.settings import Settings
from toneapp.desktop.theme import GAP_PX, Theme
from toneapp.library import Library

__all__ = ["EvennessPage"]

_LANES, _PARTS = "evenness_lanes", "evenness_parts"
_HINT = "Point at a key, or choose one with the arrow keys; click or Enter opens its page."


class EvennessPage(Page):
    """Map and worklist side by side."""

    name: ClassVar[str] = "evenness"
    title: ClassVar[str] = "Evenness"
    empty_text: ClassVar[str] = (
        "No measured run is chosen. Choose an instrument and one of its runs, or import a "
        "recording; the map appears as soon as it is measured."
    )

    def __init__(
        self, model: AppModel, theme: Theme, actions: Actions, parent: QWidget | None = None
    ) -> None:
        super().__init__(model, theme, actions, parent)
        self._hovered = 0
        self.map = EvennessMap(theme, self.body)
        self.map.setObjectName("evenness_map")
        self._add_actions(actions)
        self.worklist = WorklistPanel(model, theme, actions, self.body)
        self._build(actions)
        self._connect()

    def follow(self) -> tuple[str, ...]:
        """Refresh when the run, what lies beside it or the hand measurements change."""
        return ("run_changed", "comparison_changed", "library_changed")

    def empty_actions(self) -> tuple[str, ...]:
        """Offer the instruments and the import."""
        return ("page_record", "import_file", "page_instruments")

    def refresh(self) -> None:
        """Prepare the map off the GUI thread and show it."""
        item, comparison = self.model.run, self.model.comparison
        if item is None:
            return
        figures = run_figures(item.result)
        # The rest stands in the lanes and over the worklist.
        shown = [text for text in figures if "uneven" not in text and "raised" not in text]
        self._figures.set_text("   ·   ".join(shown), "\n".join(figures))

        def prepare(library: Library) -> EvennessView:
            return evenness_view(
                item,
                hand_sets=library.weights.of_instrument(item.instrument.id),
                comparison=comparison,
            )

        self.model.ask(prepare, self._show, key=f"map {id(self)}")

    def showEvent(self, event: QShowEvent) -> None:
        """Take up what the window remembers of this page."""
        super().showEvent(event)
        settings = self._settings()
        if settings is None or self.property("restored"):
            return
        self.setProperty("restored", True)
        text = bytes(settings.splitter(_LANES).data()).decode("ascii", errors="replace")
        if text:
            self.map.set_order(LaneOrder.from_text(text))
        if not settings.splitter(_PARTS).isEmpty():
            self.parts.restoreState(settings.splitter(_PARTS))

    def focusInEvent(self, event: QFocusEvent) -> None:
        """Give the keyboard to the map."""
        super().focusInEvent(event)
        self.map.setFocus(Qt.FocusReason.OtherFocusReason)

    # Building

    def _add_actions(self, actions: Actions) -> None:
        for name, text, on, shortcut, help_text in (
            ("map_lanes", "Lanes", self.choose_lanes, "Ctrl+L",
             "Show, hide, move or enlarge the lanes above the keyboard."),
            ("map_zoom_out", "\N{MINUS SIGN}", lambda: self.zoom(-1), "-",
             "Show more octaves of the keyboard."),
            ("map_zoom_in", "+", lambda: self.zoom(1), "+; =",
             "Show fewer octaves, around the chosen key."),
            ("map_zoom_all", "All keys", lambda: self.map.set_octaves(None), "0",
             "Show the whole keyboard."),
            ("map_raised_left", "\N{LEFTWARDS ARROW} raised", lambda: self.map.step_raised(-1),
             "Ctrl+Left", "Choose the next raised note to the left."),
            ("map_raised_right", "raised \N{RIGHTWARDS ARROW}", lambda: self.map.step_raised(1),
             "Ctrl+Right", "Choose the next raised note to the right."),
            ("map_lane_up", "Lane up", lambda: self.map.move_lane(-1), "Ctrl+Up",
             "Move the lane at hand up."),
            ("map_lane_down", "Lane down", lambda: self.map.move_lane(1), "Ctrl+Down",
             "Move the lane at hand down."),
            ("map_lane_enlarge", "Enlarge", self.map.enlarge_lane, "Ctrl+E",
             "Give the lane at hand three times the height, or its usual height again."),
            ("map_lane_hide", "Hide lane", self.map.hide_lane, "Ctrl+H",
             "Hide the lane at hand; Lanes brings it back."),
        ):  # fmt: skip
            actions.add(name, text, on=on, shortcut=shortcut, help_text=help_text, page=self)

    def _build(self, actions: Actions) -> None:
        self._figures = ElidedLabel("", self.body)
        self._figures.setProperty("muted", True)
        self._key = QLabel(self.body)
        self._lane = QLabel(_HINT, self.body)
        self._lane.setWordWrap(True)
        self._lane.setTextFormat(Qt.TextFormat.PlainText)
        self._lane.setAlignment(Qt.AlignmentFlag.AlignTop)
        self._lane.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self._rest = ElidedLabel("", self.body)
        self._rest.setProperty("muted", True)
        buttons = QHBoxLayout()
        buttons.setSpacing(GAP_PX // 2)
        for name in (
            "map_lanes", "map_lane_enlarge", "map_zoom_out", "map_zoom_all", "map_zoom_in",
            "map_raised_left", "map_raised_right",
        ):  # fmt: skip
            buttons.addWidget(actions.button(name, self.body))
        buttons.addStretch(1)
        actions["map_zoom_out"].setIconText("\N{MINUS SIGN}")
        readout = QHBoxLayout()
        readout.setSpacing(GAP_PX)
        readout.addWidget(self._key)
        readout.addWidget(self._rest, 1)
        left = QWidget(self.body)
        column = QVBoxLayout(left)
        column.setContentsMargins(0, 0, GAP_PX // 2, 0)
        column.setSpacing(GAP_PX // 2)
        column.addLayout(buttons)
        column.addWidget(self._figures)
        column.addLayout(readout)
        column.addWidget(self._lane)
        column.addWidget(self.map, 1)
        self._warnings = QLabel(left)
        self._warnings.setWordWrap(True)
        self._warnings.setVisible(False)
        column.addWidget(self._warnings)
        self.parts = QSplitter(Qt.Orientation.Horizontal, self.body)
        self.parts.setChildrenCollapsible(False)
        self.parts.addWidget(left)
        self.parts.addWidget(self.worklist)
        self.parts.setStretchFactor(0, 5)
        self.parts.setStretchFactor(1, 2)
        self.parts.setSizes([720, 400])
        whole = QVBoxLayout(self.body)
        whole.setContentsMargins(GAP_PX, GAP_PX // 2, GAP_PX, GAP_PX // 2)
        whole.addWidget(self.parts)

    def _connect(self) -> None:
        self.map.key_hovered.connect(self._hover)
        self.map.key_chosen.connect(self.model.choose_note)
        self.map.key_opened.connect(self._open)
        self.map.lane_at_hand_changed.connect(self._read_out)
        self.map.order_changed.connect(self._remember_order)
        self.worklist.key_meant.connect(self.model.choose_note)
        self.worklist.key_opened.connect(self._open)
        self.parts.splitterMoved.connect(self._remember_parts)
        self.model.note_changed.connect(self._note_changed)

    # Answers

    def zoom(self, step: int) -> None:
        """Show fewer (1) or more (-1) octaves."""
        at = ZOOM_OCTAVES.index(self.map.octaves)
        self.map.set_octaves(ZOOM_OCTAVES[min(max(at + step, 0), len(ZOOM_OCTAVES) - 1)])

    def readout(self) -> str:
        """Return what is said of the key at hand."""
        return f"{self._key.text()}: {self._lane.text()} {self._rest.text()}"

    def warning_text(self) -> str:
        """Return what is said to stand in the way of the comparison."""
        return self._warnings.text()

    def choose_lanes(self) -> None:
        """Open the small window of the lanes."""
        view = self.map.view
        measured = frozenset(() if view is None else view.measured_lanes())
        chooser = LaneChooser(self.map.order, measured=measured, parent=self)
        chooser.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        chooser.order_changed.connect(self.map.set_order)
        chooser.order_changed.connect(self._remember_order)
        chooser.open()

    def _show(self, view: EvennessView) -> None:
        self.map.set_view(view)
        self.map.set_chosen(self.model.midi)
        self.worklist.show_key(self.model.midi)
        text = "; ".join(view.warnings)
        self._warnings.setText(text[:1].upper() + text[1:])
        self._warnings.setVisible(bool(text))
        self._fit()
        self._read_out()

    def _fit(self) -> None:
        self._key.setFont(self.theme.font(scale=1.35, is_bold=True))
        self._lane.setFont(self.theme.font(scale=1.1))
        self._rest.setFont(self.theme.font(scale=0.95))
        self._key.setMinimumWidth(self._key.fontMetrics().horizontalAdvance("A#3, 3 strikes"))
        for label, lines in ((self._lane, 2), (self._rest, 1), (self._key, 1)):
            label.setFixedHeight(lines * label.fontMetrics().lineSpacing() + 4)

    def _note_changed(self, midi: int) -> None:
        self.map.set_chosen(midi)
        self.worklist.show_key(midi)
        self._read_out()

    def _hover(self, midi: int) -> None:
        self._hovered = midi
        self._read_out()

    def _open(self, midi: int) -> None:
        self.model.choose_note(midi)
        self.model.go("note")

    def _read_out(self, *_ignored: object) -> None:
        """Say the values of the key below the pointer, or of the chosen one."""
        view = self.map.view
        midi = self._hovered or self.map.chosen
        if view is None or not midi:
            self._key.setText("")
            self._lane.setText(_HINT)
            self._rest.set_text("")
            return
        at_hand = self.map.lane_at_hand
        (line,) = key_lines(view, midi, (at_hand,))
        others = [key for key in self.map.order.shown if key != at_hand]
        self._key.setText(key_title(view, midi))
        self._lane.setText(line.text())
        self._lane.setToolTip(line.text())
        rest = key_lines(view, midi, others)
        self._rest.set_text(
            "   ·   ".join(f"{item.name} {item.value}" for item in rest),
            "\n".join(item.text() for item in rest),
        )

    def _settings(self) -> Settings | None:
        settings = getattr(self.window(), "settings", None)
        return settings if isinstance(settings, Settings) else None

    def _remember_order(self, order: LaneOrder) -> None:
        settings = self._settings()
        if settings is not None:
            settings.set_splitter(_LANES, QByteArray(order.to_text().encode("ascii")))

    def _remember_parts(self, *_ignored: int) -> None:
        settings = self._settings()
        if settings is not None:
            settings.set_splitter(_PARTS, self.parts.saveState())
