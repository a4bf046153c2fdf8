"""A key's own page: tables, drawings, listening, all from simulated and measured sound."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from bench_library import COMPASS, HARD, LAST_DAMPER
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QToolButton, QWidget
from pytestqt.qtbot import QtBot

from toneapp.desktop.actions import Actions
from toneapp.desktop.models import AppModel
from toneapp.desktop.pages.note import NotePage
from toneapp.desktop.player import Player
from toneapp.desktop.theme import Theme


class Loudspeaker:
    def __init__(self) -> None:
        self.clips: list[np.ndarray] = []
        self.error: Exception | None = None

    def play(self, samples: np.ndarray, _samplerate: float) -> None:
        if self.error is not None:
            raise self.error
        self.clips.append(samples)

    def stop(self) -> None:
        self.clips.append(np.zeros(0, dtype=np.float32))


@pytest.fixture
def loudspeaker() -> Loudspeaker:
    return Loudspeaker()


@pytest.fixture
def page(
    qtbot: QtBot, bench_model: AppModel, theme: Theme, loudspeaker: Loudspeaker
) -> Iterator[NotePage]:
    frame = QWidget()
    qtbot.addWidget(frame)
    made = NotePage(bench_model, theme, Actions(frame), frame, player=Player(loudspeaker))
    made.resize(1100, 720)
    frame.resize(1100, 720)
    frame.show()
    bench_model.choose_run(2)
    qtbot.waitUntil(lambda: bench_model.run is not None)
    bench_model.choose_note(HARD)
    qtbot.waitUntil(lambda: made.pictures is not None)
    return made


def trigger(qtbot: QtBot, page: NotePage, name: str) -> str:
    """Carry an action out and wait for what is said."""
    with qtbot.waitSignal(page.sounds.said) as said:
        page.actions_of_window[name].trigger()
    return str(said.args[0])


def test_strikes_partials_and_drawings_are_of_the_chosen_key(page: NotePage) -> None:
    assert page.grid.columnCount() == 4  # the note and three strikes
    assert page.strike is not None
    assert page.partials.rows_model.rowCount() == len(page.strike.partials) > 5
    pictures = page.pictures
    assert pictures is not None
    assert pictures.held is not None
    first = pictures.held.series[0]
    assert first.hz == pytest.approx(page.strike.f1_hz, rel=1e-6)
    assert "were measured" in page.held.accessibleDescription()
    assert "prompt sound T60" in page.decay.accessibleDescription()
    assert pictures.decay.release_s == pytest.approx(
        (page.strike.release_s or 0.0) - page.strike.onset_s, abs=1e-3
    )


def test_a_strike_is_chosen_by_its_column(qtbot: QtBot, page: NotePage) -> None:
    before = page.strike
    page.grid.setCurrentCell(0, 3)
    assert page.strike is not None
    assert page.strike is not before
    qtbot.waitUntil(lambda: page.pictures is not None and page.pictures.strike is page.strike)
    page.actions_of_window["note_strike_previous"].trigger()
    assert page.grid.currentColumn() == 2


def test_keys_are_stepped_through_from_end_to_end(qtbot: QtBot, page: NotePage) -> None:
    page.actions_of_window["note_next"].trigger()
    assert page.model.midi == HARD + 1
    page.actions_of_window["note_previous"].trigger()
    assert page.model.midi == HARD
    page.model.choose_note(COMPASS.highest_midi)
    page.actions_of_window["note_next"].trigger()
    assert page.model.midi == COMPASS.highest_midi
    qtbot.waitUntil(lambda: page.pictures is not None)


def test_a_string_without_damper_says_why_nothing_comes_after(
    qtbot: QtBot, page: NotePage
) -> None:
    page.model.choose_note(LAST_DAMPER + 2)
    qtbot.waitUntil(
        lambda: page.pictures is not None and page.pictures.strike.midi == LAST_DAMPER + 2
    )
    assert page.pictures is not None
    assert page.pictures.after is None
    assert "no damper heard" in page.after.accessibleDescription()
    action = page.actions_of_window["listen_after"]
    assert not action.isEnabled()
    assert "no damper heard" in action.toolTip()


def test_whole_strike_and_what_comes_after_are_heard(
    qtbot: QtBot, page: NotePage, loudspeaker: Loudspeaker
) -> None:
    assert trigger(qtbot, page, "listen_whole") == "A#3"
    assert "turned up" in trigger(qtbot, page, "listen_after")
    whole, after = loudspeaker.clips
    assert whole.size > after.size > 0
    trigger(qtbot, page, "listen_stop")
    assert loudspeaker.clips[-1].size == 0


def test_before_and_after_are_heard_at_one_loudness(
    qtbot: QtBot, page: NotePage, loudspeaker: Loudspeaker
) -> None:
    action = page.actions_of_window["listen_before"]
    assert not action.isEnabled()
    assert "Choose a run beside" in action.toolTip()
    page.model.compare_with(1)
    qtbot.waitUntil(lambda: page.actions_of_window["listen_before"].isEnabled())
    assert "before the hammers" in trigger(qtbot, page, "listen_before")
    assert "after the hammers" in trigger(qtbot, page, "listen_later")
    loudest = [
        max(float(np.mean(clip[at : at + 19_200] ** 2)) for at in range(0, 24_000, 2400))
        for clip in loudspeaker.clips
    ]
    # Loudness is weighted over frequency, energy is not: they agree to a few dB only.
    assert abs(10 * np.log10(loudest[0] / loudest[1])) < 4.0


def test_a_missing_loudspeaker_is_said_in_the_page(
    qtbot: QtBot, page: NotePage, loudspeaker: Loudspeaker
) -> None:
    loudspeaker.error = ValueError("No output device matching 'x'")
    said = trigger(qtbot, page, "listen_whole")
    assert "no loudspeaker was found" in said
    assert page.heard.text().startswith("No loudspeaker")


def test_every_control_is_named_and_explained(page: NotePage) -> None:
    buttons = page.body.findChildren(QToolButton)
    assert len(buttons) >= 11
    for button in buttons:
        if button.defaultAction() is None:
            continue
        assert button.accessibleName()
        assert button.defaultAction().shortcut().toString(), button.text()
        assert button.toolTip().count(" ") >= 2
    for widget in (page.grid, page.partials, page.echoes, page.held, page.decay, page.after):
        assert widget.accessibleName()
    for row in range(page.grid.rowCount()):
        head = page.grid.verticalHeaderItem(row)
        assert ", " in head.text()  # name and unit
        assert head.toolTip().endswith(".")
    assert page.grid.item(0, 1).data(Qt.ItemDataRole.AccessibleTextRole).startswith("Level, dB")
