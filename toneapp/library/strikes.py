"""What does a person say about single strikes: another key, other bounds, or not to be counted?

Nothing measured is changed by it. Each word stands beside the recording, can be undone, and is
found again by the time of the strike when the run is measured anew.

Classes: `Strikes`.
"""

from __future__ import annotations

from typing import Any

from toneapp.errors import InputError
from toneapp.keyboard import HIGHEST_MIDI, LOWEST_MIDI
from toneapp.library.database import Database
from toneapp.library.edited import SAME_ONSET_S
from toneapp.library.rows import EditAction, StrikeEdit
from toneapp.library.takes import edits_of
from toneapp.library.writer import now_text
from toneapp.pitch import note_name

__all__ = ["Strikes"]

SHORTEST_S = 0.05
"""A key is held at least so long; the measures begin after the attack."""

LATEST_S = 1e7
"""No recording is that long."""


class Strikes:
    """What was said about the strikes of a library."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def relabel(
        self, take_id: int, onset_s: float, midi: int, *, part: str = "", note: str = ""
    ) -> StrikeEdit:
        """Say that another key was struck; it counts once the run is measured again.

        Parameters
        ----------
        take_id : int
            The take, from `Runs.takes`.
        onset_s : float
            Time of the strike in its file, in seconds, as measured.
        midi : int
            The key.
        part : str
            `StrikeResult.source` when the take has several files.
        note : str
            Why.

        Raises
        ------
        InputError
            If there is no such key or take.
        """
        if not LOWEST_MIDI <= midi <= HIGHEST_MIDI:
            raise InputError(f"{midi} is not a key from C0 to C9; name another note")
        label = f"strike at {onset_s:.2f} s is {note_name(midi)}"
        return self._say(take_id, onset_s, part, EditAction.RELABEL, midi, note, label)

    def set_bounds(
        self,
        take_id: int,
        onset_s: float,
        midi: int,
        *,
        exact_onset_s: float | None,
        release_s: float | None,
        part: str = "",
        note: str = "",
    ) -> StrikeEdit:
        """Say where exactly a strike begins and where its damper acts.

        It counts once the run is measured again. A key named before stays named.

        Parameters
        ----------
        take_id, onset_s, midi, part, note
            As in `relabel`; the key it counts for.
        exact_onset_s, release_s : float or None
            Times in its file, in s; None for as it is heard.

        Raises
        ------
        InputError
            If the strike ended before it began, or there is no such key or take.
        """
        if not LOWEST_MIDI <= midi <= HIGHEST_MIDI:
            raise InputError(f"{midi} is not a key from C0 to C9; name another note")
        begin_s = onset_s if exact_onset_s is None else exact_onset_s
        if not 0.0 <= begin_s < LATEST_S:
            raise InputError(f"a strike cannot begin at {begin_s:g} s; give its time from 0 s")
        if release_s is not None and not begin_s + SHORTEST_S <= release_s < LATEST_S:
            raise InputError(
                f"the key cannot be let go at {release_s:.3f} s, since it was struck at "
                f"{begin_s:.3f} s; set the release at least {SHORTEST_S:g} s later"
            )
        label = f"bounds of the strike at {begin_s:.2f} s"
        return self._say(
            take_id, onset_s, part, EditAction.RELABEL, midi, note, label,
            bounds=(exact_onset_s, release_s),
        )  # fmt: skip

    def discard(
        self, take_id: int, onset_s: float, *, part: str = "", note: str = ""
    ) -> StrikeEdit:
        """Say that a strike is not to be counted; parameters as in `relabel`."""
        label = f"discard the strike at {onset_s:.2f} s"
        return self._say(take_id, onset_s, part, EditAction.DISCARD, None, note, label)

    def restore(self, edit: StrikeEdit) -> None:
        """Take back what was said about a strike.

        Raises
        ------
        LibraryConflict
            If something else was said meanwhile.
        """
        with self._database.writing(f"restore the strike at {edit.onset_s:.2f} s") as writer:
            writer.delete("strike_edit", edit.id, version=edit.version)

    def of_take(self, take_id: int) -> tuple[StrikeEdit, ...]:
        """Return what was said about the strikes of a take, in time."""
        with self._database.reading() as connection:
            return edits_of(connection, take_id)

    def _say(
        self,
        take_id: int,
        onset_s: float,
        part: str,
        action: EditAction,
        midi: int | None,
        note: str,
        label: str,
        *,
        bounds: tuple[float | None, float | None] | None = None,
    ) -> StrikeEdit:
        if not 0.0 <= onset_s < LATEST_S:
            raise InputError(f"a strike at {onset_s} s cannot be; give its time in the recording")
        values: dict[str, Any] = {
            "take_id": take_id,
            "part": part,
            "action": action.value,
            "midi": midi,
            "note": note.strip(),
            "made_at": now_text(),
        }
        if action is EditAction.DISCARD:
            bounds = (None, None)
        if bounds is not None:
            values |= {"exact_onset_s": bounds[0], "release_s": bounds[1]}
        with self._database.writing(label) as writer:
            if writer.row("take", take_id) is None:
                raise InputError(f"there is no take {take_id} in the library; look at the run")
            earlier = [
                edit
                for edit in edits_of(writer.connection, take_id)
                if edit.part == part and edit.distance_s(onset_s) <= SAME_ONSET_S
            ]
            if earlier:
                nearest = min(earlier, key=lambda edit: edit.distance_s(onset_s))
                writer.update("strike_edit", nearest.id, values)
                row_id = nearest.id
            else:
                row_id = writer.insert("strike_edit", values | {"onset_s": float(onset_s)})
        return next(edit for edit in self.of_take(take_id) if edit.id == row_id)
