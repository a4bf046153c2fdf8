"""How is a clip brought to the loudspeaker, and what is said when there is none?

Classes: `Player`.
"""

from __future__ import annotations

import logging
from typing import Any, ClassVar, Protocol

from toneapp._typing import Float32Array
from toneapp.audio.devices import sound_system
from toneapp.desktop.listening import Clip
from toneapp.errors import AudioDeviceError

__all__ = ["Output", "Player"]

logger = logging.getLogger(__name__)

NO_LOUDSPEAKER = "no loudspeaker was found; connect one and try again"


class Output(Protocol):
    """What plays; sounddevice in the program, another in tests."""

    def play(self, samples: Float32Array, samplerate: float, **device: Any) -> Any:
        """Begin to play and return at once."""

    def stop(self) -> Any:
        """End what is playing."""


class Player:
    """Plays one clip at a time. Its methods may be called from a worker.

    Parameters
    ----------
    output : Output, optional
        The system's loudspeaker by default, found when it is first used.
    """

    device: ClassVar[str] = ""
    """Loudspeaker that the person has chosen in the settings, for all players; empty for the
    system's own choice."""

    def __init__(self, output: Output | None = None) -> None:
        self._output = output

    def play(self, clip: Clip) -> str:
        """Play a clip instead of what is playing.

        Returns
        -------
        str
            What is heard.

        Raises
        ------
        AudioDeviceError
            If there is no loudspeaker or it cannot be used.
        """
        output = self._found()
        device = {"device": Player.device} if Player.device else {}
        with sound_system:
            try:
                output.play(clip.samples, clip.sample_rate_hz, **device)
            except _device_errors() as exc:
                raise _sentence(exc) from exc
        return clip.text

    def stop(self) -> None:
        """End what is playing; nothing happens when nothing is."""
        if self._output is None:
            return
        with sound_system:
            try:
                self._output.stop()
            except _device_errors() as exc:
                raise _sentence(exc) from exc

    def _found(self) -> Output:
        if self._output is None:
            try:
                import sounddevice  # its library may be missing
            except (ImportError, OSError) as exc:
                raise AudioDeviceError(
                    "sound cannot be played since the system's PortAudio library is missing; "
                    "install it and try again"
                ) from exc
            self._output = sounddevice
        return self._output


def _device_errors() -> tuple[type[Exception], ...]:
    """Errors by which a device says that it cannot be used."""
    try:
        import sounddevice
    except (ImportError, OSError):  # another output is in use
        return (ValueError, OSError)
    return (sounddevice.PortAudioError, ValueError, OSError)


def _sentence(error: Exception) -> AudioDeviceError:
    logger.info("the loudspeaker: %s", error)
    text = str(error)
    if "querying device" in text.lower() or "no output device" in text.lower():
        return AudioDeviceError(NO_LOUDSPEAKER)
    return AudioDeviceError(f"the loudspeaker cannot be used ({text}); try again")
