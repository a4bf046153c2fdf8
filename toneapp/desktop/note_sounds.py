"""Which clips of a note can be heard now, and how are they played off the GUI thread?

Classes: `NoteSounds`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from PySide6.QtCore import QObject, Signal

from toneapp.desktop.listening import (
    after_clip,
    matched_gains_db,
    no_release_text,
    whole_clip,
)
from toneapp.desktop.models import AppModel
from toneapp.desktop.note_pictures import NotePictures
from toneapp.desktop.note_view import nearest_strike
from toneapp.desktop.player import Player
from toneapp.desktop.strike_sound import read_strike
from toneapp.library import RunOfInstrument
from toneapp.results import StrikeResult

__all__ = ["NoteSounds"]

_WAIT = "The sound of the strike is not there yet"
_NO_OTHER = "Choose a run beside this one first"


class NoteSounds(QObject):
    """Makes clips of the chosen strike and plays them.

    Attributes
    ----------
    said : Signal(str)
        What is heard now, or why nothing is.
    """

    said = Signal(str)

    def __init__(self, model: AppModel, player: Player, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._model = model
        self._player = player

    def can_play(self, pictures: NotePictures | None) -> dict[str, str]:
        """Tell for each action of listening why it cannot be carried out; empty when it can."""
        nothing = _WAIT if pictures is None else ""
        after = nothing
        matched = nothing
        if pictures is not None:
            if pictures.sound.release_s is None:
                after = no_release_text(pictures.strike)
            matched = self._unmatched_reason(pictures.strike)
        return {
            "listen_whole": nothing,
            "listen_after": after,
            "listen_before": matched,
            "listen_later": matched,
        }

    def play_whole(self, pictures: NotePictures | None) -> None:
        """Play the whole strike as it was recorded."""
        player = self._player
        if pictures is not None:
            self._start(lambda: player.play(whole_clip(pictures.sound, pictures.strike)))

    def play_after(self, pictures: NotePictures | None) -> None:
        """Play what sounds after the release, turned up."""
        if pictures is None:
            return
        player = self._player

        def work() -> str:
            clip = after_clip(pictures.sound, pictures.strike)
            return no_release_text(pictures.strike) if clip is None else player.play(clip)

        self._start(work)

    def play_matched(
        self, pictures: NotePictures | None, which: Literal["before", "after"]
    ) -> None:
        """Play the strike, or its like of the other run, both at the loudness of the softer."""
        run, other_run, player = self._model.run, self._model.compared_run, self._player
        if pictures is None or run is None or other_run is None:
            return
        other = self._other_strike(pictures.strike)
        gains = None if other is None else matched_gains_db(pictures.strike, other)
        if other is None or gains is None:
            self.said.emit(self._unmatched_reason(pictures.strike))
            return
        is_own = _is_earlier(run, other_run) == (which == "before")
        if is_own:
            own = run.run.condition or which
            self._start(
                lambda: player.play(
                    whole_clip(pictures.sound, pictures.strike, gain_db=gains[0], name=own)
                )
            )
            return
        place = self._model.sound_of_strike(other, other_run)
        if place is None:
            self.said.emit("The recording of the other run is not in the library any more")
            return
        name = other_run.run.condition or which
        channel_use = other_run.result.channel_use

        def work() -> str:
            sound = read_strike(place.path, other, channel_use=channel_use)
            return player.play(whole_clip(sound, other, gain_db=gains[1], name=name))

        self._start(work)

    def stop(self) -> None:
        """Stop what is heard."""
        player = self._player

        def work() -> str:
            player.stop()
            return ""

        self._start(work)

    def _start(self, work: Callable[[], str]) -> None:
        """Carry out in a worker; `work` holds no Qt object, which must not end its life there."""
        self._model.tasks.start(
            lambda _progress: work(),
            on_done=self.said.emit,
            on_failed=self.said.emit,
            key=f"sound {id(self)}",
        )

    def _other_strike(self, strike: StrikeResult) -> StrikeResult | None:
        other_run = self._model.compared_run
        if other_run is None:
            return None
        return nearest_strike(strike, self._model.strikes_of(strike.midi, other_run))

    def _unmatched_reason(self, strike: StrikeResult) -> str:
        if self._model.compared_run is None:
            return _NO_OTHER
        other = self._other_strike(strike)
        if other is None:
            return f"{strike.note} was not struck in the run beside this one"
        if matched_gains_db(strike, other) is None:
            return "The loudness of one of the two strikes was not measured"
        return ""


def _is_earlier(one: RunOfInstrument, two: RunOfInstrument) -> bool:
    return (one.run.recorded_at, one.run.id) < (two.run.recorded_at, two.run.id)
