"""Which microphone, how loud, and is the room quiet? The part of the page that answers this.

It listens to the chosen input while it is seen, keeps nothing of it, and says in plain words what
is to be changed.

Classes and functions: `InputChoice`, `InputPanel`, `source_of`, `lines_html`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtWidgets import QComboBox, QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

from toneapp.audio.capture import DeviceSource, InputMonitor, RoomLine, SoundSource
from toneapp.audio.devices import SoundDevice, list_inputs, no_device_text, refresh_devices
from toneapp.desktop.level_strip import LevelStrip
from toneapp.desktop.theme import GAP_PX, Theme
from toneapp.desktop.workers import Tasks

__all__ = ["InputChoice", "InputPanel", "lines_html", "source_of"]

LOOK_MS = 50
RATES_HZ = (44_100, 48_000, 88_200, 96_000)
USUAL_RATE_HZ = 48_000
MOST_CHANNELS = 8
SYSTEM_INPUT = "the system's own choice"


@dataclass(frozen=True, slots=True, kw_only=True)
class InputChoice:
    """Input that is recorded from."""

    device: str = ""  # as the sound system names it; empty for its own choice
    sample_rate_hz: int = USUAL_RATE_HZ
    channel: int = 0  # the one that is listened to, from 0


def source_of(choice: InputChoice) -> SoundSource:
    """Make the microphone of a choice."""
    return DeviceSource(
        choice.device or None,
        sample_rate_hz=choice.sample_rate_hz,
        channels=choice.channel + 1,
        channel=choice.channel,
    )


def lines_html(lines: tuple[RoomLine, ...]) -> str:
    """Findings about room and input, one a line, each with a sign for good or not."""
    from html import escape

    signs = {True: "\N{CHECK MARK}", False: "\N{WARNING SIGN}"}
    return "".join(
        f"<p style='margin: 3px 0'><b>{signs[line.is_good]}</b>&nbsp; "
        f"{escape(line.text[:1].upper() + line.text[1:])}</p>"
        for line in lines
    )


class InputPanel(QWidget):
    """Choice of the input, its level, and what there is to say about the room.

    Parameters
    ----------
    theme : Theme
    tasks : Tasks
        Looks for devices and closes inputs in another thread.
    make_source : callable
        Makes the source of a choice; microphones by default.

    Attributes
    ----------
    choice_changed : Signal(object)
        The new `InputChoice`.
    """

    choice_changed = Signal(object)

    def __init__(
        self,
        theme: Theme,
        tasks: Tasks,
        parent: QWidget | None = None,
        *,
        make_source: Callable[[InputChoice], SoundSource] = source_of,
    ) -> None:
        super().__init__(parent)
        self._theme = theme
        self._tasks = tasks
        self._make_source = make_source
        self._monitor: InputMonitor | None = None
        self._devices: tuple[SoundDevice, ...] = ()
        self._wanted = InputChoice()
        self._is_listening = False
        self._build()
        self._look = QTimer(self)
        self._look.setInterval(LOOK_MS)
        self._look.timeout.connect(self.look_now)
        self.device.activated.connect(self._chosen)
        self.channel.activated.connect(self._chosen)
        self.rate.activated.connect(self._chosen)
        self.again_button.clicked.connect(self.look_for_devices)

    def choice(self) -> InputChoice:
        """Input that is chosen."""
        return self._wanted

    def set_choice(self, choice: InputChoice) -> None:
        """Choose an input, whether or not it is plugged in."""
        self._wanted = choice
        self._fill()

    @property
    def is_listening(self) -> bool:
        """Whether the input is heard."""
        return self._is_listening

    def start(self) -> None:
        """Look for devices, then listen."""
        if not self._is_listening:
            self._is_listening = True
            self.look_for_devices()

    def stop(self, then: Callable[[], None] | None = None) -> None:
        """Let the input go; `then` is called when it is free."""
        self._is_listening = False
        self._let_go(then)

    def stop_at_once(self) -> None:
        """Let the input go and wait until it is free."""
        self._is_listening = False
        self._look.stop()
        monitor, self._monitor = self._monitor, None
        if monitor is not None:
            monitor.stop()

    def look_for_devices(self) -> None:
        """List the inputs anew and listen to the chosen one."""

        def found() -> None:
            def look() -> tuple[SoundDevice, ...]:
                refresh_devices()
                return list_inputs()

            self._tasks.start(
                lambda _progress: look(), on_done=self._show_devices, key=f"inputs {id(self)}"
            )

        self._let_go(found)

    def look_now(self) -> None:
        """Show level and words as they are now."""
        if self._monitor is None:
            return
        reading = self._monitor.reading()
        self.strip.set_level(
            reading.level_dbfs, reading.highest_dbfs, has_clipped=reading.has_clipped
        )
        if reading.fault_text:
            self._say(reading.fault_text, is_fault=True)
            return
        html = lines_html(reading.report.lines)
        if not reading.report.lines:
            html = "<p>Listening to the room. Keep quiet for three seconds.</p>"
        elif reading.report.peak_dbfs is None:
            html += "<p>Now strike the loudest key of the run, to see the level.</p>"
        self._say(html, is_fault=False)

    def words(self) -> str:
        """What is said of room and input."""
        return self.lines.text()

    # Inside

    def _build(self) -> None:
        self.device = QComboBox(self)
        self.device.setSizeAdjustPolicy(
            QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon
        )
        self.device.setMinimumContentsLength(18)
        self.channel = QComboBox(self)
        self.rate = QComboBox(self)
        for rate_hz in RATES_HZ:
            self.rate.addItem(f"{rate_hz / 1000:g} kHz", rate_hz)
        self.again_button = QPushButton("Look again", self)
        self.again_button.setToolTip("Look for microphones that were plugged in since")
        self.strip = LevelStrip(self._theme, self)
        self.lines = QLabel(self)
        self.lines.setWordWrap(True)
        self.lines.setTextFormat(Qt.TextFormat.RichText)
        self.lines.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.lines.setAccessibleName("Room and input")
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(GAP_PX // 2)
        for label, fields in (
            ("&Microphone", (self.device, self.again_button)),
            ("C&hannel", (self.channel, self.rate)),
        ):
            words = QLabel(label, self)
            words.setBuddy(fields[0])
            words.setMinimumWidth(110)
            row = QHBoxLayout()
            row.setSpacing(GAP_PX // 2)
            row.addWidget(words)
            row.addWidget(fields[0], 1)
            for field in fields[1:]:
                row.addWidget(field)
            column.addLayout(row)
        self.device.setAccessibleName("Microphone")
        self.channel.setAccessibleName("Channel")
        self.rate.setAccessibleName("Sampling rate")
        self.rate.setToolTip("Samples a second; 48 kHz is enough for every measure")
        column.addWidget(self.strip)
        column.addWidget(self.lines, 1)
        self._fill()

    def _fill(self) -> None:
        """Fill the choices; one that is not plugged in stays and says so."""
        self.device.clear()
        self.device.addItem(SYSTEM_INPUT, "")
        for device in self._devices:
            self.device.addItem(device.name, device.full_name)
            self.device.setItemData(
                self.device.count() - 1, device.full_name, Qt.ItemDataRole.ToolTipRole
            )
        place = self.device.findData(self._wanted.device)
        if place < 0:
            name = self._wanted.device.rpartition(", ")[0] or self._wanted.device
            self.device.addItem(f"{name} (not plugged in)", self._wanted.device)
            place = self.device.count() - 1
        self.device.setCurrentIndex(place)
        found = next((d for d in self._devices if d.full_name == self._wanted.device), None)
        count = min(found.channels, MOST_CHANNELS) if found is not None else 2
        self.channel.clear()
        for number in range(max(count, self._wanted.channel + 1)):
            self.channel.addItem(f"{number + 1}", number)
        self.channel.setCurrentIndex(self._wanted.channel)
        self.rate.setCurrentIndex(max(self.rate.findData(self._wanted.sample_rate_hz), 0))

    def _chosen(self, _index: int) -> None:
        device = str(self.device.currentData() or "")
        is_same = device == self._wanted.device
        self._wanted = InputChoice(
            device=device,
            sample_rate_hz=int(self.rate.currentData()),
            channel=int(self.channel.currentData() or 0) if is_same else 0,
        )
        self._fill()
        self.choice_changed.emit(self._wanted)
        if self._is_listening:
            self._let_go(self._listen)

    def _show_devices(self, devices: tuple[SoundDevice, ...]) -> None:
        self._devices = devices
        self._fill()
        if self._is_listening:
            self._listen()

    def _listen(self) -> None:
        if self._monitor is not None or not self._is_listening:
            return
        if not self._devices and self._make_source is source_of:
            self.strip.set_level(None, None, has_clipped=False)
            text = no_device_text("input")
            self._say(text[:1].upper() + text[1:], is_fault=True)
            return
        try:
            source = self._make_source(self._wanted)
        except ValueError as exc:
            self._say(str(exc), is_fault=True)
            return
        self._monitor = InputMonitor(source)
        self._monitor.start()
        self._look.start()

    def _let_go(self, then: Callable[[], None] | None) -> None:
        self._look.stop()
        monitor, self._monitor = self._monitor, None
        if monitor is None:
            if then is not None:
                then()
            return
        self._tasks.start(lambda _progress: monitor.stop(), on_done=lambda _none: then and then())

    def _say(self, text: str, *, is_fault: bool) -> None:
        if is_fault:
            from html import escape

            sentence = escape(text[:1].upper() + text[1:])
            text = f"<p><b>\N{WARNING SIGN}</b>&nbsp; {sentence}</p>"
        if text != self.lines.text():
            self.lines.setText(text)
