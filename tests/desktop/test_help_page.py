"""The help holds every measure, every caution and every shortcut."""

from __future__ import annotations

from PySide6.QtGui import QKeySequence

from toneapp.desktop.help_page import HelpPage
from toneapp.desktop.main_window import MainWindow
from toneapp.desktop.measure_words import MEASURE_WORDS
from toneapp.evenness import load_advice


def test_it_holds_everything(window: MainWindow) -> None:
    window.show_page("help")
    page = window.page_of("help")
    assert isinstance(page, HelpPage)
    text = page.text.toPlainText()
    for measure in MEASURE_WORDS:
        assert measure.sentence in text
        assert measure.unit in text
    for advice in load_advice().raised.values():
        for caution in advice.cautions:
            assert " ".join(caution.text.split()) in " ".join(text.split())
    for action in window.actions_by_name:
        if not action.shortcut().isEmpty():
            keys = action.shortcut().toString(QKeySequence.SequenceFormat.NativeText)
            assert keys in text
            assert action.whatsThis() in text


def test_every_measure_is_one_plain_sentence() -> None:
    for measure in MEASURE_WORDS:
        assert measure.sentence.endswith(".")
        assert measure.sentence.count(". ") == 0, measure.name


def test_keys_of_pages_that_were_not_shown_yet_stand_there_too(window: MainWindow) -> None:
    assert "strike_type" not in window.actions_by_name
    window.show_page("help")
    page = window.page_of("help")
    assert isinstance(page, HelpPage)
    text = page.text.toPlainText()
    assert "Type the key of the chosen strike" in text
    assert "Drawings over the keyboard" in text
