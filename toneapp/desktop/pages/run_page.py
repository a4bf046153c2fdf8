"""The strikes of a run on its recording: name, bound, leave out, or add one that was missed.

Classes: `RunPage`.
"""

from __future__ import annotations

from typing import ClassVar

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QHBoxLayout, QLabel, QLineEdit, QSplitter, QVBoxLayout, QWidget

from toneapp.desktop.actions import Actions
from toneapp.desktop.bounds_fields import BoundsFields
from toneapp.desktop.models import AppModel, SoundPlace
from toneapp.desktop.pages.base import Page
from toneapp.desktop.row_table import Column, RowTable
from toneapp.desktop.sound_outline import Outline, read_outline
from toneapp.desktop.strike_bounds import (
    SHORTEST_S,
    Bounds,
    moved_begin,
    moved_end,
    said_bounds,
)
from toneapp.desktop.strike_rows import StrikeRow, strike_rows
from toneapp.desktop.theme import GAP_PX, Theme
from toneapp.desktop.typed_facts import typed_key
from toneapp.desktop.waveform import WaveformView, WaveMark
from toneapp.desktop.workers import Lane
from toneapp.errors import InputError

__all__ = ["RunPage"]


class RunPage(Page):
    """Waveform above, table of strikes below, key and bounds of the chosen one between them."""

    name: ClassVar[str] = "run"
    title: ClassVar[str] = "Strikes"
    empty_text: ClassVar[str] = (
        "No measured run is chosen. Open one from its instrument, or import a recording."
    )

    def __init__(
        self, model: AppModel, theme: Theme, actions: Actions, parent: QWidget | None = None
    ) -> None:
        super().__init__(model, theme, actions, parent)
        self._rows: tuple[StrikeRow, ...] = ()
        self._marked: list[StrikeRow] = []
        self._shown_sound: SoundPlace | None = None
        self._bounded: tuple[str, float] | None = None  # the strike whose bounds are shown
        self.waveform = WaveformView(theme, self.body)
        self.table = RowTable(
            (
                Column(title="Time", text=lambda row: row.time, is_number=True, width=10),
                Column(title="Heard", text=lambda row: row.heard, width=11),
                Column(title="Counts as", text=lambda row: row.counted_as, width=11),
                Column(title="Held", text=lambda row: row.held, is_number=True, width=9),
                Column(title="Level (dB)", text=lambda row: row.level, is_number=True, width=11),
                Column(title="Remarks", text=lambda row: row.remark, stretches=True),
            ),
            theme,
            key=lambda row: row.key,
            name="Strikes",
            parent=self.body,
        )
        self.key_field = QLineEdit(self.body)
        self.key_field.setPlaceholderText("such as F#4")
        self.key_field.setAccessibleName("Key")
        self.key_field.setFixedWidth(120)
        self.bounds_fields = BoundsFields(self.body)
        self.pending = QLabel(self.body)
        self.pending.setProperty("accent", True)
        self._add_actions()
        self._build()
        self.waveform.mark_picked.connect(self._mark_picked)
        self.waveform.place_changed.connect(self._place_changed)
        self.waveform.bounds_moved.connect(self.bounds_fields.preview)
        self.waveform.bounds_set.connect(self._set_bounds)
        self.bounds_fields.stepped.connect(self.waveform.set_bounds)
        self.bounds_fields.decided.connect(self._set_bounds)
        self.table.chosen_changed.connect(self._row_chosen)
        self.table.opened.connect(self._look_closely)
        self.key_field.returnPressed.connect(self.name_strike)
        self.setFocusProxy(self.table)

    def follow(self) -> tuple[str, ...]:
        """Follow the library too: edits of strikes are told there."""
        return ("library_changed", "run_changed")

    def empty_state(self) -> str:
        """Say what there is to choose, or to measure."""
        if self.model.run is None and self.model.run_id:
            return "This run was not measured yet."
        return super().empty_state()

    def empty_actions(self) -> tuple[str, ...]:
        """Offer the way to a run."""
        return ("strikes_measure",) if self.model.run_id else ("page_instrument", "import_file")

    def refresh(self) -> None:
        """Show the strikes of the chosen run."""
        run_id = self.model.run_id
        nothing: tuple[StrikeRow, ...] = ()
        self._rows = self.model.read(lambda library: strike_rows(library, run_id), nothing)
        self.table.set_rows(self._rows)
        self._show_sound()
        waiting = sum(row.needs_measuring for row in self._rows)
        self.pending.setText(_waiting_words(waiting))
        self._show_chosen(self.table.chosen)

    @property
    def rows(self) -> tuple[StrikeRow, ...]:
        """The strikes shown."""
        return self._rows

    def name_strike(self) -> None:
        """Say that the chosen strike was on the key that is typed."""
        row: StrikeRow | None = self.table.chosen
        midi = self._typed()
        if row is not None and midi is not None:
            self.model.name_moment(row.onset_s, midi, part=row.part)

    def add_strike(self) -> None:
        """Say that at the place pointed at the key that is typed was struck."""
        place_s, sound = self.waveform.place_s, self._shown_sound
        if place_s is None or sound is None:
            self.model.failed.emit("point into the waveform first, where the strike begins")
            return
        midi = self._typed()
        if midi is not None:
            self.model.name_moment(place_s, midi, part=sound.part)

    def leave_out(self) -> None:
        """Say that the chosen strike is not to be counted."""
        row: StrikeRow | None = self.table.chosen
        if row is not None:
            self.model.name_moment(row.onset_s, None, part=row.part)

    def begin_here(self) -> None:
        """Say that the chosen strike begins at the place pointed at."""
        bounds, place_s = self._bounds_and_place("begins")
        if bounds is not None and place_s is not None:
            self._set_bounds(moved_begin(bounds, place_s))

    def end_here(self) -> None:
        """Say that the chosen strike ends at the place pointed at."""
        bounds, place_s = self._bounds_and_place("ends")
        if bounds is not None and place_s is not None:
            self._set_bounds(moved_end(bounds, place_s))

    def _bounds_and_place(self, word: str) -> tuple[Bounds | None, float | None]:
        bounds, place_s = self.bounds_fields.bounds, self.waveform.place_s
        if bounds is None or place_s is None:
            self.model.failed.emit(
                f"choose a strike and point into the waveform, where it really {word}"
            )
        return bounds, place_s

    def _set_bounds(self, bounds: Bounds) -> None:
        """Keep where the chosen strike begins and ends; what stays as heard is left so."""
        row: StrikeRow | None = self.table.chosen
        if row is None or row.counted_midi is None:
            return
        begin_s, release_s = said_bounds(bounds, row.strike, row.edit)
        if row.edit is not None or (begin_s, release_s) != (None, None):
            self.model.bound_strike(
                row.begin_s if row.edit is None else row.edit.onset_s,
                row.counted_midi,
                exact_onset_s=begin_s,
                release_s=release_s,
                part=row.part,
            )

    def as_heard(self) -> None:
        """Take back what was said about the chosen strike."""
        row: StrikeRow | None = self.table.chosen
        if row is not None and row.edit is not None:
            self.model.restore_strike(row.edit)

    def _typed(self) -> int | None:
        try:
            midi = typed_key(self.key_field.text(), "key")
        except InputError as exc:
            self.model.failed.emit(str(exc))
            return None
        if midi is None:
            self.key_field.setFocus(Qt.FocusReason.OtherFocusReason)
        return midi

    def _type_key(self) -> None:
        self.key_field.setFocus(Qt.FocusReason.ShortcutFocusReason)
        self.key_field.selectAll()

    def _add_actions(self) -> None:
        for name, text, on, shortcut, help_text in (
            (
                "strike_type",
                "Type the key",
                self._type_key,
                "F2",
                "Type the key of the chosen strike; Enter names it.",
            ),
            (
                "strike_name",
                "Name it",
                self.name_strike,
                "",
                "Say that the chosen strike was on the key that is typed.",
            ),
            (
                "strike_add",
                "Add one here",
                self.add_strike,
                "Ins",
                "Say that the typed key was struck at the place pointed at in the waveform.",
            ),
            (
                "strike_begin",
                "Begins here",
                self.begin_here,
                "Ctrl+[",
                "Say that the chosen strike begins at the place pointed at in the waveform.",
            ),
            (
                "strike_end",
                "Ends here",
                self.end_here,
                "Ctrl+]",
                "Say that the chosen strike ends at the place pointed at in the waveform.",
            ),
            (
                "strike_discard",
                "Leave out",
                self.leave_out,
                "Del",
                "Do not count the chosen strike.",
            ),
            (
                "strike_restore",
                "As it was heard",
                self.as_heard,
                "",
                "Take back what was said about the chosen strike.",
            ),
            (
                "strikes_measure",
                "Measure again",
                self.model.measure_run,
                "Ctrl+M",
                "Measure the run again with these corrections, now.",
            ),
        ):
            self.actions_of_window.add(
                name, text, on=on, shortcut=shortcut, help_text=help_text, page=self
            )

    def _build(self) -> None:
        label = QLabel("&Key", self.body)
        label.setBuddy(self.key_field)
        button = self.actions_of_window.button
        facts = QHBoxLayout()
        facts.addWidget(label)
        facts.addWidget(self.key_field)
        facts.addWidget(button("strike_name", self.body))
        facts.addSpacing(2 * GAP_PX)
        facts.addWidget(self.bounds_fields)
        for name in ("strike_begin", "strike_end"):
            facts.addWidget(button(name, self.body))
        facts.addStretch(1)
        buttons = QHBoxLayout()
        for name in ("strike_discard", "strike_restore", "strike_add"):
            buttons.addWidget(button(name, self.body))
        buttons.addSpacing(GAP_PX)
        buttons.addWidget(self.pending, 1)
        buttons.addWidget(button("strikes_measure", self.body))
        below = QWidget(self.body)
        column = QVBoxLayout(below)
        column.setContentsMargins(0, 0, 0, 0)
        column.addLayout(facts)
        column.addLayout(buttons)
        column.addWidget(self.table, 1)
        self.splitter = QSplitter(Qt.Orientation.Vertical, self.body)
        self.splitter.addWidget(self.waveform)
        self.splitter.addWidget(below)
        self.splitter.setStretchFactor(1, 1)
        layout = QVBoxLayout(self.body)
        layout.setContentsMargins(GAP_PX, GAP_PX, GAP_PX, GAP_PX)
        layout.addWidget(self.splitter)

    def _show_sound(self) -> None:
        """Read the outline of the chosen strike's recording, if it is not the one shown."""
        row: StrikeRow | None = self.table.chosen
        places = self.model.sounds_of_run()
        part = "" if row is None else row.part
        sound = next((place for place in places if place.part == part), None)
        self._show_marks(part)
        if sound is None or sound == self._shown_sound:
            return
        self._shown_sound = sound
        self.waveform.set_outline(None)

        def read(outline: Outline) -> None:
            if sound == self._shown_sound:
                self.waveform.set_outline(outline)
                self._row_chosen(self.table.chosen)

        self.model.tasks.start(
            lambda progress: read_outline(sound.path, progress=progress),
            on_done=read,
            label="reading the recording",
            lane=Lane.QUICK,
            key="outline",
        )

    def _show_marks(self, part: str) -> None:
        self._marked = [row for row in self._rows if row.part == part]
        self.waveform.set_marks(
            [
                WaveMark(
                    onset_s=row.begin_s,
                    end_s=row.end_s if row.release_s is None else row.release_s,
                    text=row.counted_as,
                    is_left_out=row.is_left_out,
                    is_doubtful=row.strike is None,
                )
                for row in self._marked
            ]
        )

    def _show_chosen(self, row: StrikeRow | None) -> None:
        """Show the bounds of the chosen strike, unless they are being moved just now."""
        key = None if row is None else row.key
        is_moved = self.bounds_fields.is_stepping or self.waveform.is_dragging
        if is_moved and key == self._bounded:
            return
        self._bounded = key
        bounds = self._bounds_of(row)
        self.bounds_fields.show_bounds(bounds)
        self.waveform.set_bounds(bounds)
        if row is not None and row in self._marked:
            self.waveform.choose(self._marked.index(row))

    def _bounds_of(self, row: StrikeRow | None) -> Bounds | None:
        """Bounds of a strike that counts, and the room that its neighbours leave."""
        if row is None or row.counted_midi is None or row not in self._marked:
            return None
        place = self._marked.index(row)
        earlier = [r.begin_s for r in self._marked[:place] if r.counted_midi is not None]
        later = [r.begin_s for r in self._marked[place + 1 :] if r.counted_midi is not None]
        sound_s = row.begin_s + 60.0 if self._shown_sound is None else self._shown_sound.duration_s
        return Bounds(
            begin_s=row.begin_s,
            release_s=row.release_s,
            earliest_s=earlier[-1] + SHORTEST_S if earlier else 0.0,
            latest_s=later[0] - SHORTEST_S if later else sound_s,
        )

    def _row_chosen(self, row: StrikeRow | None) -> None:
        if row is None:
            self.waveform.choose(-1)
            self._show_chosen(None)
            return
        if self._shown_sound is not None and row.part != self._shown_sound.part:
            self._show_sound()
        if not self.key_field.hasFocus() or not self.key_field.text():
            self.key_field.setText("" if row.strike is None else row.strike.note)
        self._show_chosen(row)
        self.actions_of_window["strike_restore"].setEnabled(row.edit is not None)
        self.actions_of_window["strike_discard"].setEnabled(not row.is_left_out)
        if row.strike is not None:
            self.model.choose_note(row.strike.midi)

    def _mark_picked(self, index: int) -> None:
        if 0 <= index < len(self._marked):
            self.table.choose(self._marked[index].key)

    def _place_changed(self, _place_s: float) -> None:
        self.actions_of_window["strike_add"].setEnabled(True)

    def _look_closely(self, row: StrikeRow) -> None:
        self.waveform.look_closely(row.begin_s)


def _waiting_words(waiting: int) -> str:
    """Say how many corrections wait for another measurement."""
    if not waiting:
        return ""
    noun = "correction waits" if waiting == 1 else "corrections wait"
    return f"{waiting} {noun} to be measured"
