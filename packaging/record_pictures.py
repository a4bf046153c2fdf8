"""Pictures of the page Record in each of its states, from a simulated run that is recorded.

A part of ``packaging/screenshots.py``. The sound comes from a file at its own pace; when a state
comes up, the page stands still until it has been drawn in all sizes and colours.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from toneapp.audio.capture import Fault, FileSource, InputRefused
from toneapp.audio.capture.ring import SampleRing

RATE_HZ = 48_000
KEYS = tuple(range(55, 67))
HOLD_S, EVERY_S = 1.3, 2.4
LONGEST_S = 90.0
SIZES = ((1280, 800), (1920, 1080))
SETTLE_ROUNDS = 20


class Staged(FileSource):
    """A file in place of a microphone that can be unplugged."""

    def __init__(self, path: Path) -> None:
        self.is_unplugged = threading.Event()
        super().__init__(path, real_time=True)

    @property
    def has_ended(self) -> bool:
        """Whether the file is over; an unplugged microphone is not."""
        return self._is_over and not self.is_unplugged.is_set()

    @has_ended.setter
    def has_ended(self, is_over: bool) -> None:
        self._is_over = is_over

    def start(self, ring: SampleRing) -> None:
        """Play, unless it is unplugged."""
        if self.is_unplugged.is_set():
            raise InputRefused("there is no such input", Fault.NO_DEVICE)
        super().start(ring)

    def unplug(self) -> None:
        """Give no sound any more."""
        self.is_unplugged.set()
        self._stopping.set()


def simulate(path: Path, *, too_short: int, is_fast: bool = False) -> Path:
    """Write a run of held notes (one of them too short), or of fast series of blows."""
    from toneapp.simulate import Blow, Room, make_piano, render

    rng = np.random.default_rng(5)
    piano = make_piano(rng, kind="upright")
    blows = []
    if is_fast:
        for place, midi in enumerate(KEYS[:8]):
            gap_s = 0.16 if midi == KEYS[3] else 0.11
            onset_s = 3.2 + 4.0 * place
            for _ in range(12):
                onset_s += gap_s * (1.0 + 0.05 * float(rng.standard_normal()))
                blows.append(
                    Blow(
                        midi=midi,
                        onset_s=onset_s,
                        hold_s=0.06,
                        velocity_m_per_s=1.8 + 0.15 * float(rng.standard_normal()),
                    )
                )
    else:
        onset_s = 3.4
        for place, midi in enumerate(KEYS):
            for hold_s in (0.3, HOLD_S) if place == too_short else (HOLD_S,):
                speed = 2.0 + 0.25 * float(rng.standard_normal())
                blows.append(
                    Blow(midi=midi, onset_s=onset_s, hold_s=hold_s, velocity_m_per_s=speed)
                )
                onset_s += hold_s + EVERY_S - HOLD_S + 0.2
    run = render(piano, blows, Room(t60_s=0.4, snr_db=52.0), rng=rng)
    soundfile.write(path, run.audio, run.sample_rate_hz, subtype="FLOAT")
    return path


def draw_recording(application: Any, folder: Path, scratch: Path) -> None:
    """Draw all states of the page Record, with a library of its own.

    Parameters
    ----------
    application : QApplication
    folder : Path
        For the pictures.
    scratch : Path
        For the library and the sound files.
    """
    from PySide6.QtCore import QSettings

    from toneapp.desktop.app import WindowApp
    from toneapp.desktop.settings import Settings
    from toneapp.desktop.theme import ThemeMode
    from toneapp.library import Instrument, Library

    with Library(scratch / "recorded") as library:
        library.instruments.add(Instrument(name="Old upright"))
    store = QSettings(str(scratch / "record.ini"), QSettings.Format.IniFormat)
    program = WindowApp(application, settings=Settings(store), library_folder=scratch / "recorded")
    window = program.open_window()
    window.resize(*SIZES[0])

    def wait_until(is_so: Callable[[], bool]) -> None:
        wait(application.processEvents, is_so)

    def draw(name: str) -> None:
        for mode in (ThemeMode.DARK, ThemeMode.LIGHT):
            program.theme.set_mode(mode)
            for width, height in reversed(SIZES):
                window.resize(width, height)
                for _ in range(SETTLE_ROUNDS):
                    application.processEvents()
                window.grab().save(str(folder / f"{name}-{width}x{height}-{mode.value}.png"))

    wait_until(lambda: window.model.library is not None)
    window.model.choose_instrument(1)
    _draw_states(window, draw, wait_until, scratch)
    window.close()


def _draw_states(
    window: Any,
    draw: Callable[[str], None],
    wait_until: Callable[[Callable[[], bool]], None],
    scratch: Path,
) -> None:
    from toneapp.audio.capture import Command, State
    from toneapp.desktop.record_session import Phase

    held = simulate(scratch / "held.wav", too_short=4)
    fast = simulate(scratch / "fast.wav", too_short=-1, is_fast=True)
    window.show_page("record")
    page = window.page_of("record")
    sources: list[Staged] = []
    path = [held]

    def make(_choice: object) -> Staged:
        sources.append(Staged(path[0]))
        return sources[-1]

    page._make_source = make
    page.setup.input._make_source = make
    page.setup.input.look_for_devices()
    page.setup.hold.setText(f"{HOLD_S - 0.2:g}")
    page.setup.compass.setText("G3-F#4")
    page.setup._show_plan()
    wait_until(lambda: "level" in page.setup.input.words().lower())
    draw("record_setup")

    def still(name: str, is_so: Callable[[Any], bool]) -> None:
        """Draw once the recording is so, and let it go on."""
        wait_until(lambda: page.session.snapshot() is not None and is_so(page.session.snapshot()))
        page.session.look_now()
        page.session._look.stop()
        draw(name)
        page.session._look.start()

    def is_in(state: State) -> Callable[[Any], bool]:
        return lambda seen: seen.state is state

    page.begin()
    wait_until(lambda: page.session.phase is Phase.RUNNING)
    still("record_room", is_in(State.CHECKING))
    still("record_waiting", is_in(State.WAITING))
    still("record_holding", lambda seen: (seen.held_s or 0.0) > 0.5 and seen.good >= 2)
    last = lambda: page.live.growth.last  # noqa: E731 -- asked anew each time
    still(
        "record_again",
        lambda seen: seen.state is State.WAITING and last() is not None and not last().is_good,
    )
    still("record_let_go", lambda seen: seen.state is State.ENOUGH and seen.good >= 6)
    page.session.do(Command.PAUSE)
    still("record_paused", is_in(State.PAUSED))
    page.session.do(Command.GO_ON)
    sources[-1].unplug()
    still("record_unplugged", is_in(State.INTERRUPTED))
    page.session.leave()
    page._show_setup()
    page.look_for_unfinished()
    wait_until(lambda: bool(page.offers.runs))
    draw("record_left")
    page.offers.bin_wanted.emit(page.offers.runs[0])
    wait_until(lambda: window.model.tasks.is_idle)
    wait_until(lambda: page.panels.currentWidget() is page.setup)
    path[0] = held
    page.begin()
    wait_until(lambda: page.session.phase is Phase.RUNNING)
    still("record_done", is_in(State.DONE))
    page.session.leave()
    page._show_setup()
    _draw_repetition(page, path, fast, draw, wait_until)


def _draw_repetition(
    page: Any,
    path: list[Path],
    fast: Path,
    draw: Callable[[str], None],
    wait_until: Callable[[Callable[[], bool]], None],
) -> None:
    from toneapp.audio.capture import RunKind

    page.offers.set_runs((), {})
    page.setup.choose_kind(RunKind.REPETITION)
    path[0] = fast
    page.begin()
    wait_until(lambda: page.panels.currentWidget() is page.result)
    draw("record_repetition")
    page._show_setup()


def wait(process: Callable[[], None], is_so: Callable[[], bool]) -> None:
    """Let the window live until something is so."""
    end_s = time.monotonic() + LONGEST_S
    while not is_so():
        if time.monotonic() > end_s:
            raise TimeoutError("the recording does not come so far")
        process()
        time.sleep(0.01)
