"""One key: its strikes side by side, its partials, its decay, what rings on, and listening.

Classes: `NotePage`.
"""

from __future__ import annotations

from typing import ClassVar

from PySide6.QtCore import Qt
from PySide6.QtGui import QFocusEvent
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QListWidget,
    QSizePolicy,
    QSplitter,
    QVBoxLayout,
    QWidget,
)

from toneapp.desktop.actions import Actions
from toneapp.desktop.models import AppModel
from toneapp.desktop.note_pictures import NotePictures, note_pictures
from toneapp.desktop.note_plots import AfterPlot, DecayPlot, HeldPlot
from toneapp.desktop.note_sounds import NoteSounds
from toneapp.desktop.note_view import (
    PARTIAL_HEADS,
    echo_texts,
    missing_reasons,
    note_heading,
    partial_texts,
    strike_name,
    strike_table,
    struck_keys,
)
from toneapp.desktop.pages.base import Page
from toneapp.desktop.player import Player
from toneapp.desktop.row_table import Column, RowTable
from toneapp.desktop.strike_grid import StrikeGrid
from toneapp.desktop.theme import GAP_PX, Theme
from toneapp.pitch import note_name
from toneapp.results import PartialResult, StrikeResult

__all__ = ["NotePage"]


def _partial_column(at: int) -> Column:
    title, tip = PARTIAL_HEADS[at]
    return Column(
        title=title,
        tip=tip,
        is_number=True,
        stretches=at > 1,
        width=(5, 12)[at] if at < 2 else 0,
        text=lambda partial: partial_texts(partial)[at],
    )


class NotePage(Page):
    """The chosen key of the chosen run."""

    name: ClassVar[str] = "note"
    title: ClassVar[str] = "Note"
    empty_text: ClassVar[str] = (
        "No measured run is chosen. Choose one, then a key on the map of the evenness page."
    )

    def __init__(
        self,
        model: AppModel,
        theme: Theme,
        actions: Actions,
        parent: QWidget | None = None,
        *,
        player: Player | None = None,
    ) -> None:
        super().__init__(model, theme, actions, parent)
        self._strikes: tuple[StrikeResult, ...] = ()
        self._at = 0
        self._midi = 0
        self.pictures: NotePictures | None = None
        self.sounds = NoteSounds(model, player or Player(), self)
        self._add_actions(actions)
        self._build(actions)

    def follow(self) -> tuple[str, ...]:
        """Refresh when the run, the key or what lies beside the run changes."""
        return ("run_changed", "note_changed", "compared_run_changed")

    def empty_actions(self) -> tuple[str, ...]:
        """Offer the map."""
        return ("page_evenness", "page_instruments")

    @property
    def strike(self) -> StrikeResult | None:
        """The chosen strike."""
        return self._strikes[self._at] if self._at < len(self._strikes) else None

    def refresh(self) -> None:
        """Show the chosen key, or the first one that stands out when none is chosen."""
        run = self.model.run
        if run is None:
            return
        if not self.model.midi:
            raised = [note.midi for note in run.result.notes if note.raised]
            keys = raised or struck_keys(run.result)
            if keys:
                self.model.choose_note(keys[0])  # comes back here
                return
        midi = self.model.midi
        strikes = self.model.strikes_of(midi)
        if midi != self._midi or self._at >= len(strikes):
            self._at = _middle(strikes)
        self._midi, self._strikes = midi, strikes
        self._show_heading()
        self.grid.show_table(strike_table(strikes, self.model.note), self._at)
        self._show_strike()

    def choose_strike(self, at: int) -> None:
        """Show another strike on the key."""
        if 0 <= at < len(self._strikes) and at != self._at:
            self._at = at
            self.grid.show_table(strike_table(self._strikes, self.model.note), at)
            self._show_strike()

    def step_note(self, step: int, *, is_raised: bool = False) -> None:
        """Go to the next key that was struck (1 or -1), or the next one that stands out."""
        run = self.model.run
        if run is None:
            return
        keys = (
            tuple(sorted(note.midi for note in run.result.notes if note.raised))
            if is_raised
            else struck_keys(run.result)
        )
        midi = self.model.midi
        beyond = [key for key in keys if (key > midi if step > 0 else key < midi)]
        if beyond:
            self.model.choose_note(beyond[0] if step > 0 else beyond[-1])

    def show_whole_curves(self) -> None:
        """Show all drawings whole again."""
        for plot in (self.held, self.decay, self.after):
            plot.show_home()

    def focusInEvent(self, event: QFocusEvent) -> None:
        """Give the keyboard to the strikes."""
        super().focusInEvent(event)
        self.grid.setFocus(Qt.FocusReason.OtherFocusReason)

    # Building

    def _add_actions(self, actions: Actions) -> None:
        sounds = self.sounds
        for name, text, on, shortcut, help_text in (
            ("note_previous", "\N{LEFTWARDS ARROW} key", lambda: self.step_note(-1),
             "Ctrl+Left", "Go to the next key to the left that was struck."),
            ("note_next", "key \N{RIGHTWARDS ARROW}", lambda: self.step_note(1),
             "Ctrl+Right", "Go to the next key to the right that was struck."),
            ("note_raised_previous", "\N{LEFTWARDS ARROW} raised",
             lambda: self.step_note(-1, is_raised=True), "Ctrl+Shift+Left",
             "Go to the next raised note to the left."),
            ("note_raised_next", "raised \N{RIGHTWARDS ARROW}",
             lambda: self.step_note(1, is_raised=True), "Ctrl+Shift+Right",
             "Go to the next raised note to the right."),
            ("note_strike_previous", "Strike before", lambda: self.choose_strike(self._at - 1),
             "Ctrl+Up", "Show the strike before this one on the same key."),
            ("note_strike_next", "Strike after", lambda: self.choose_strike(self._at + 1),
             "Ctrl+Down", "Show the strike after this one on the same key."),
            ("note_whole_curves", "Whole curves", self.show_whole_curves, "0",
             "Show all drawings whole again."),
            ("note_map", "Map", lambda: self.model.go("evenness"), "M",
             "Go back to the map of the run."),
            ("listen_whole", "Whole", lambda: sounds.play_whole(self.pictures), "L",
             "Hear the chosen strike from its blow to its end, as it was recorded."),
            ("listen_after", "After release", lambda: sounds.play_after(self.pictures), "R",
             "Hear only what sounds after the release, turned up."),
            ("listen_before", "Run before", lambda: sounds.play_matched(self.pictures, "before"),
             "B", "Hear a strike of the earlier run, at the loudness of the later one."),
            ("listen_later", "Run after", lambda: sounds.play_matched(self.pictures, "after"),
             "A", "Hear a strike of the later run, at the loudness of the earlier one."),
            ("listen_stop", "Stop", sounds.stop, "S; Esc", "Stop what is heard."),
        ):  # fmt: skip
            actions.add(name, text, on=on, shortcut=shortcut, help_text=help_text, page=self)

    def _build(self, actions: Actions) -> None:
        self._name = QLabel(self.body)
        self._heading = QLabel(self.body)
        self._heading.setWordWrap(True)
        self._heading.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        head = QHBoxLayout()
        head.setSpacing(GAP_PX // 2)
        head.addWidget(actions.button("note_previous", self.body))
        head.addWidget(self._name)
        head.addWidget(actions.button("note_next", self.body))
        head.addSpacing(GAP_PX)
        head.addWidget(self._heading, 1)
        for name in ("note_raised_previous", "note_raised_next", "note_map"):
            head.addWidget(actions.button(name, self.body))
        self.grid = StrikeGrid(self.theme, self.body)
        self.grid.strike_chosen.connect(self.choose_strike)
        self._doubts = QLabel(self.body)
        self._doubts.setWordWrap(True)
        self._doubts.setProperty("muted", True)
        self.partials: RowTable = RowTable(
            [_partial_column(at) for at in range(len(PARTIAL_HEADS))],
            self.theme,
            key=_partial_number,
            name="Partials of the chosen strike",
            parent=self.body,
        )
        self.echoes = QListWidget(self.body)
        self.echoes.setAccessibleName("Echo strings of the chosen strike")
        self.echoes.setToolTip(
            "Strings that sound after the release: name, partial, Hz, dB against the blow, and "
            "seconds to fall by 60 dB"
        )
        self.echoes.setWordWrap(True)
        self.held = HeldPlot(self.theme, self.body)
        self.decay = DecayPlot(self.theme, self.body)
        self.after = AfterPlot(self.theme, self.body)
        whole = QVBoxLayout(self.body)
        whole.setContentsMargins(GAP_PX, GAP_PX // 2, GAP_PX, GAP_PX // 2)
        whole.setSpacing(GAP_PX // 2)
        whole.addLayout(head)
        whole.addWidget(self._build_parts(), 1)
        whole.addLayout(self._build_listening(actions))

    def _build_parts(self) -> QSplitter:
        tables = self._stacked((self._strikes_part(), 6), (self.partials, 5), (self.echoes, 2))
        drawings = self._stacked((self.held, 1), (self.decay, 1), (self.after, 1))
        self.parts = QSplitter(Qt.Orientation.Horizontal, self.body)
        self.parts.setChildrenCollapsible(False)
        self.parts.addWidget(tables)
        self.parts.addWidget(drawings)
        self.parts.setSizes([640, 460])
        return self.parts

    def _stacked(self, *widgets: tuple[QWidget, int]) -> QSplitter:
        """Put parts one above the other, each with its share of what is left over."""
        parts = QSplitter(Qt.Orientation.Vertical, self.body)
        parts.setChildrenCollapsible(False)
        for place, (widget, share) in enumerate(widgets):
            parts.addWidget(widget)
            parts.setStretchFactor(place, share)
        return parts

    def _strikes_part(self) -> QWidget:
        part = QWidget(self.body)
        column = QVBoxLayout(part)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(2)
        column.addWidget(self.grid, 1)
        column.addWidget(self._doubts)
        return part

    def _build_listening(self, actions: Actions) -> QHBoxLayout:
        row = QHBoxLayout()
        row.setSpacing(GAP_PX // 2)
        row.addWidget(QLabel("Listen", self.body))
        for name in (
            "listen_whole", "listen_after", "listen_before", "listen_later", "listen_stop",
        ):  # fmt: skip
            row.addWidget(actions.button(name, self.body))
        self.heard = QLabel(self.body)
        self.heard.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.heard.setAccessibleName("What is heard")
        self.sounds.said.connect(self._say)
        row.addSpacing(GAP_PX)
        row.addWidget(self.heard, 1)
        row.addWidget(actions.button("note_whole_curves", self.body))
        return row

    # Showing

    def _show_heading(self) -> None:
        note = self.model.note
        self._name.setFont(self.theme.font(scale=1.8, is_bold=True))
        self._name.setText(note_name(self._midi) if self._midi else "")
        self._name.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self._name.setMinimumWidth(self._name.fontMetrics().horizontalAdvance("A#3 "))
        text = note_heading(note, self._midi)
        is_raised = note is not None and bool(note.raised)
        sign = "\N{BLACK UP-POINTING TRIANGLE} " if is_raised else ""
        self._heading.setFont(self.theme.font(scale=1.1, is_bold=is_raised))
        self._heading.setProperty("accent", is_raised)
        self._heading.style().unpolish(self._heading)
        self._heading.style().polish(self._heading)
        self._heading.setText(sign + text[:1].upper() + text[1:])
        self._heading.setToolTip(text)

    def _show_strike(self) -> None:
        strike = self.strike
        self.pictures = None
        self._enable_listening()
        if strike is None:
            self.partials.set_rows(())
            self.echoes.clear()
            self._doubts.setText("")
            for plot in (self.held, self.decay, self.after):
                plot.clear_with("The key was not struck in this run")
            return
        reasons = missing_reasons(strike)
        name = strike_name(self._at, strike)
        self._doubts.setText(f"{name}: {'; '.join(reasons)}." if reasons else f"{name}.")
        self.partials.set_rows(strike.partials)
        self.partials.verticalHeader().setDefaultSectionSize(self.fontMetrics().height() + 8)
        self.echoes.clear()
        self.echoes.addItems(list(echo_texts(strike)))
        self._draw(strike)

    def _draw(self, strike: StrikeResult) -> None:
        """Have the drawings made in a worker."""
        run, place = self.model.run, self.model.sound_of_strike(strike)
        if run is None or place is None:
            self._cannot_draw("The recording of this strike is not in the library any more")
            return
        path, channel_use = place.path, run.result.channel_use
        self.model.tasks.start(
            lambda _progress: note_pictures(path, strike, channel_use=channel_use),
            on_done=self._show_pictures,
            on_failed=self._cannot_draw,
            key=f"strike {id(self)}",
        )

    def _show_pictures(self, pictures: NotePictures) -> None:
        if pictures.strike is not self.strike:
            return
        self.pictures = pictures
        self.held.show_spectrum(pictures.held)
        self.decay.show_decay(pictures.decay)
        self.after.show_spectrum(pictures.after, reason=echo_texts(pictures.strike)[0])
        self._enable_listening()

    def _cannot_draw(self, message: str) -> None:
        for plot in (self.held, self.decay, self.after):
            plot.clear_with(message[:1].upper() + message[1:])

    def _enable_listening(self) -> None:
        """Offer only what can be heard; the reason stands in the tip of what cannot."""
        can = self.sounds.can_play(self.pictures)
        for name, reason in can.items():
            action = self.actions_of_window[name]
            action.setEnabled(not reason)
            key = action.shortcut().toString()
            action.setToolTip(f"{reason or action.whatsThis()} ({key})")

    def _say(self, text: str) -> None:
        self.heard.setText(text[:1].upper() + text[1:])
        self.heard.setToolTip(text)


def _partial_number(partial: PartialResult) -> int:
    return partial.n


def _middle(strikes: tuple[StrikeResult, ...]) -> int:
    """Place of the strike of middle level, which shows a note best."""
    if not strikes:
        return 0
    order = sorted(range(len(strikes)), key=lambda at: strikes[at].level_db or -200.0)
    return order[len(order) // 2]
