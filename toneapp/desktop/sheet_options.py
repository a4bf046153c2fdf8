"""How is the sheet written: paper, numbers and dates, lengths, words, letterhead, sound?

Classes: `SheetOptions`.
"""

from __future__ import annotations

import functools
from dataclasses import replace
from datetime import date

from PySide6.QtCore import QLocale, QSignalBlocker, Qt, Signal
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from toneapp.desktop.elided_label import ElidedLabel
from toneapp.desktop.theme import GAP_PX
from toneapp.sheets import Lengths, Paper, SheetSettings, languages, load_places

__all__ = ["SheetOptions"]

_A_DAY = date(2024, 5, 31)
"""Shown as the example of how dates are written: a day that cannot be taken for a month."""

_LENGTH_WORDS = {Lengths.MM: "metres and millimetres", Lengths.INCH: "feet and inches"}


class SheetOptions(QWidget):
    """Fields of the settings that all sheets of a library share, and the sound.

    Attributes
    ----------
    settings_changed : Signal(object)
        `SheetSettings` as the person wants them now.
    letterhead_wanted : Signal
        The person wants to change the letterhead.
    """

    settings_changed = Signal(object)
    letterhead_wanted = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._settings = SheetSettings()
        self.paper = self._combo([(str(paper), str(paper)) for paper in Paper])
        self.place = self._combo([(_place_words(name), name) for name in load_places()])
        self.lengths = self._combo([(_LENGTH_WORDS[unit], str(unit)) for unit in Lengths])
        self.language = self._combo([(_language_words(name), name) for name in languages()])
        self.sound = QCheckBox("&Sound clips in the HTML", self)
        self.sound.setChecked(True)
        self.sound.setToolTip("The same notes of each run at matched loudness, to switch between")
        self.letterhead = ElidedLabel("", self)
        self.letterhead_button = QPushButton("&Letterhead …", self)
        self.letterhead_button.setAccessibleDescription("Change name, address and logo")
        self.letterhead_button.clicked.connect(self.letterhead_wanted)
        head = QHBoxLayout()
        head.addWidget(self.letterhead_button)
        head.addWidget(self.letterhead, 1)
        form = QFormLayout()
        form.setContentsMargins(0, 0, 0, 0)
        form.setSpacing(GAP_PX // 2)
        form.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.AllNonFixedFieldsGrow)
        for label, combo in (
            ("&Paper", self.paper),
            ("Pla&ce", self.place),
            ("L&engths", self.lengths),
            ("La&nguage", self.language),
        ):
            combo.setAccessibleName(label.replace("&", ""))
            words = QLabel(label, self)
            words.setBuddy(combo)
            if combo is self.language and len(languages()) < 2:
                combo.hide()  # nothing to choose
                words.hide()
                continue
            form.addRow(words, combo)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(GAP_PX)
        column.addLayout(form)
        column.addLayout(head)
        column.addWidget(self.sound)

    def show_settings(self, settings: SheetSettings) -> None:
        """Show what holds now."""
        self._settings = settings
        for combo, value in (
            (self.paper, settings.paper),
            (self.place, settings.place.name),
            (self.lengths, settings.lengths),
            (self.language, settings.language),
        ):
            with QSignalBlocker(combo):
                combo.setCurrentIndex(combo.findData(str(value)))
                combo.setToolTip(combo.currentText())
        head = settings.letterhead
        self.letterhead.set_text(
            "none yet" if head.is_empty else head.workshop or "without a name",
            "\n".join(line for line in (head.workshop, *head.address, head.contact) if line),
        )

    def _combo(self, rows: list[tuple[str, str]]) -> QComboBox:
        combo = QComboBox(self)
        combo.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        combo.setMinimumContentsLength(8)
        combo.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        for words, value in rows:
            combo.addItem(words, value)
            combo.setItemData(combo.count() - 1, words, Qt.ItemDataRole.ToolTipRole)
        combo.activated.connect(functools.partial(self._chosen, combo))
        return combo

    def _chosen(self, combo: QComboBox, _index: int) -> None:
        """Take a choice over; another place brings its own paper and lengths."""
        value = str(combo.currentData())
        if combo is self.place:
            wanted = replace(self._settings, place_name=value, paper_name="", lengths_name="")
        elif combo is self.paper:
            wanted = replace(self._settings, paper_name=value)
        elif combo is self.lengths:
            wanted = replace(self._settings, lengths_name=value)
        else:
            wanted = replace(self._settings, language=value)
        if wanted != self._settings:
            self.show_settings(wanted)
            self.settings_changed.emit(wanted)


def _place_words(name: str) -> str:
    """Name of a place in English, with a date and a number as they are written there."""
    place = load_places()[name]
    land = QLocale.territoryToString(QLocale(name).territory())
    return f"{land}: {place.day(_A_DAY)}, {place.numbers('1.5')}"


def _language_words(name: str) -> str:
    return QLocale(name).nativeLanguageName() or name
