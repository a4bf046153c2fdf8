"""What is seen while a run is recorded: what to do now, the keys, the levels, the growing lanes.

Classes: `RecordView`.
"""

from __future__ import annotations

from collections.abc import Mapping

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QHBoxLayout, QLabel, QSizePolicy, QSplitter, QVBoxLayout, QWidget

from toneapp.audio.capture import AskState, KeyPlan, RoomReport, Snapshot, State
from toneapp.desktop.actions import Actions
from toneapp.desktop.evenness_map import EvennessMap
from toneapp.desktop.evenness_view import EvennessView
from toneapp.desktop.lane_order import LaneOrder
from toneapp.desktop.level_strip import LevelStrip
from toneapp.desktop.record_input import lines_html
from toneapp.desktop.record_keyboard import KeyState, NextKeys, WholeKeyboard
from toneapp.desktop.record_keys import RECORD_COMMANDS
from toneapp.desktop.record_stage import RecordStage
from toneapp.desktop.record_words import StageView
from toneapp.desktop.theme import GAP_PX, Theme
from toneapp.wording import duration_text, note_list_text

__all__ = ["RecordView", "key_states"]

_LANES = ("level", "brightness")
_SIDE_PX = 290
_LANES_PX = 215
_LANES_SHARE = 0.34


def key_states(plan: KeyPlan) -> dict[int, KeyState]:
    """What became of each key of a plan."""
    by_key: dict[int, list[AskState]] = {}
    for ask in plan.asks:
        by_key.setdefault(ask.midi, []).append(plan.state(ask.index))
    passed = set(plan.open_keys)
    found = {}
    for midi, states in by_key.items():
        if all(state is AskState.LEFT_OUT for state in states):
            found[midi] = KeyState.LEFT_OUT
        elif AskState.OPEN not in states:
            found[midi] = KeyState.DONE
        else:
            found[midi] = KeyState.PASSED if midi in passed else KeyState.OPEN
    return found


class RecordView(QWidget):
    """Everything that is seen while recording."""

    def __init__(self, theme: Theme, actions: Actions, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = theme
        self.stage = RecordStage(theme, self)
        self.next_keys = NextKeys(theme, self)
        self.keyboard = WholeKeyboard(theme, self)
        self.keyboard.keep_room_for_levels()
        self.map = EvennessMap(theme, self)
        self.map.setMinimumHeight(_LANES_PX)
        order = LaneOrder()
        for key in order.keys:
            order = order.with_shown(key, is_shown=key in _LANES)
        self.map.set_order(order)
        self.map.setVisible(False)
        self.strip = LevelStrip(theme, self)
        self.counts = QLabel(self)
        self.counts.setWordWrap(True)
        self.lines = QLabel(self)
        self.lines.setWordWrap(True)
        self.lines.setTextFormat(Qt.TextFormat.RichText)
        self.lines.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.lines.setAccessibleName("Room and input")
        self.others = QLabel(self)
        self.others.setWordWrap(True)
        self.others.setTextFormat(Qt.TextFormat.PlainText)
        self.losses = QLabel(self)
        self.losses.setWordWrap(True)
        self.losses.setProperty("accent", True)
        self.losses.setVisible(False)
        self._build(actions)

    def show_stage(self, view: StageView) -> None:
        """Show what to do now."""
        self.stage.set_view(view)

    def show_keys(self, plan: KeyPlan) -> None:
        """Show what became of each key, and the next one."""
        states = key_states(plan)
        current = plan.current
        midi = 0 if current is None else current.midi
        for keys in (self.next_keys, self.keyboard):
            keys.set_keys(plan.plan.compass, states, next_midi=midi)
        words = []
        for state, text in (
            (KeyState.PASSED, "Asked for again later"),
            (KeyState.LEFT_OUT, "Left out"),
        ):
            names = note_list_text(key for key, value in states.items() if value is state)
            if names:
                words.append(f"{text}: {names}")
        self.others.setText("\n".join(words))

    def show_levels(self, levels: Mapping[int, float], *, last: int) -> None:
        """Show the level that each key has reached."""
        self.keyboard.show_levels(levels, last=last)

    def show_snapshot(self, seen: Snapshot) -> None:
        """Show level and counts."""
        if seen.state is State.INTERRUPTED:
            self.strip.set_level(None, None, has_clipped=False)
        else:
            self.strip.set_level(seen.level_dbfs, seen.highest_dbfs, has_clipped=seen.has_clipped)
        text = f"{seen.good} of {seen.wanted} blows"
        self.counts.setText(
            f"<p style='margin:0'><b>{text}</b></p>"
            f"<p style='margin:0'>{duration_text(seen.at_s)} recorded</p>"
        )
        self.losses.setVisible(bool(seen.overruns))
        if seen.overruns:
            times = "once" if seen.overruns == 1 else f"{seen.overruns} times"
            self.losses.setText(
                f"Sound was lost {times}: the computer was too slow. The blow is asked for again."
            )

    def show_room(self, report: RoomReport, more: tuple[str, ...] = ()) -> None:
        """Show what is said of room and input."""
        from html import escape

        html = lines_html(report.lines)
        html += "".join(
            f"<p style='margin: 3px 0'><b>\N{WARNING SIGN}</b>&nbsp; "
            f"{escape(text[:1].upper() + text[1:])}</p>"
            for text in more
        )
        self.lines.setText(html)

    def show_lanes(self, view: EvennessView | None, *, last: int) -> None:
        """Show the lanes of the blows so far; None for none."""
        is_first = view is not None and self.map.isHidden()
        self.map.setVisible(view is not None)
        self.keyboard.setVisible(view is None)  # the map has a keyboard of its own
        if view is not None:
            self.map.set_view(view)
            self.map.set_chosen(last)
        if is_first:
            height = self.parts.height()
            self.parts.setSizes([int((1.0 - _LANES_SHARE) * height), int(_LANES_SHARE * height)])

    def fit(self) -> None:
        """Take up the size of letters."""
        self.counts.setFont(self._theme.font(scale=1.35))

    # Building

    def _build(self, actions: Actions) -> None:
        side = QWidget(self)
        side.setFixedWidth(_SIDE_PX)
        narrow = QVBoxLayout(side)
        narrow.setContentsMargins(GAP_PX, 0, 0, 0)
        narrow.setSpacing(GAP_PX // 2)
        narrow.addWidget(self.counts)
        narrow.addWidget(self.strip)
        narrow.addWidget(self.losses)
        narrow.addWidget(self.lines)
        narrow.addWidget(self.others, 1)
        large = QWidget(self)
        wide = QVBoxLayout(large)
        wide.setContentsMargins(0, 0, 0, 0)
        wide.setSpacing(GAP_PX // 2)
        wide.addWidget(self.stage, 5)
        wide.addWidget(self.next_keys, 2)
        upper = QWidget(self)
        row = QHBoxLayout(upper)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(0)
        row.addWidget(large, 1)
        row.addWidget(side)
        lower = QWidget(self)
        below = QVBoxLayout(lower)
        below.setContentsMargins(0, 0, 0, 0)
        below.setSpacing(GAP_PX // 2)
        below.addWidget(self.keyboard)
        below.addWidget(self.map, 1)
        self.parts = QSplitter(Qt.Orientation.Vertical, self)
        self.parts.setChildrenCollapsible(False)
        self.parts.addWidget(upper)
        self.parts.addWidget(lower)
        self.parts.setStretchFactor(0, 5)
        self.parts.setStretchFactor(1, 3)
        self.others.setAlignment(Qt.AlignmentFlag.AlignTop)
        buttons = QHBoxLayout()
        buttons.setSpacing(GAP_PX // 2)
        for command in RECORD_COMMANDS:
            button = actions.button(command.name, self)
            button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            button.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
            buttons.addWidget(button, 1)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(GAP_PX // 2)
        column.addWidget(self.parts, 1)
        column.addLayout(buttons)
        self.fit()
