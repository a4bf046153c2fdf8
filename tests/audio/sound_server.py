"""A sound server of our own: a sink that nobody hears, and its monitor as the microphone.

It runs in user space with everything of its own in a temporary folder, so that a test neither
needs a sound card nor disturbs the server of the person who runs it.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from pathlib import Path

import numpy as np

PROGRAMS = ("pulseaudio", "pactl", "paplay")
SINK = "testsink"
START_S = 20.0

_ASOUNDRC = """
pcm.!default { type pulse }
ctl.!default { type pulse }
pcm.pulse { type pulse }
ctl.pulse { type pulse }
"""


def missing_programs() -> list[str]:
    """Programs that are needed and not installed."""
    return [name for name in PROGRAMS if shutil.which(name) is None]


class SoundServer:
    """A running server; a context manager."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        run, home = folder / "run", folder / "home"
        (run / "pulse").mkdir(parents=True)
        run.chmod(0o700)
        home.mkdir()
        (home / ".asoundrc").write_text(_ASOUNDRC)
        self.environment = {
            **os.environ,
            "XDG_RUNTIME_DIR": str(run),
            "PULSE_RUNTIME_PATH": str(run / "pulse"),
            "HOME": str(home),
            "PULSE_LATENCY_MSEC": "30",
            "OMP_NUM_THREADS": "1",
        }
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> SoundServer:
        log = (self.folder / "server.log").open("wb")
        self._process = subprocess.Popen(
            [
                "pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--disable-shm=no",
                "--realtime=no", "--high-priority=no", "--log-target=stderr",
                "-L", "module-native-protocol-unix auth-anonymous=1",
            ],
            env=self.environment,
            stdout=subprocess.DEVNULL,
            stderr=log,
        )  # fmt: skip
        log.close()
        end_s = time.monotonic() + START_S
        while self._control("info", check=False).returncode != 0:
            if time.monotonic() > end_s or self._process.poll() is not None:
                text = (self.folder / "server.log").read_text(errors="replace")
                self.__exit__()
                raise RuntimeError(f"the sound server does not start: {text[-500:]}")
            time.sleep(0.1)
        self.add_sink()
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait()
            self._process = None

    def add_sink(self) -> None:
        """Make the sink, and its monitor the microphone."""
        self._control(
            "load-module", "module-null-sink", f"sink_name={SINK}", "rate=48000", "channels=2",
            "format=float32le",
        )  # fmt: skip
        self._control("set-default-sink", SINK)
        self._control("set-default-source", f"{SINK}.monitor")

    def remove_sink(self) -> None:
        """Take the sink and with it the microphone away."""
        self._control("unload-module", "module-null-sink")

    def play(self, path: Path) -> subprocess.Popen[bytes]:
        """Begin to play a file into the sink.

        Two seconds are handed over ahead, so that a busy machine leaves no hole in what is played.
        """
        environment = dict(self.environment)
        del environment["PULSE_LATENCY_MSEC"]  # which is for the recording
        return subprocess.Popen(
            ["paplay", f"--device={SINK}", "--latency-msec=2000", str(path)], env=environment
        )

    def _control(self, *words: str, check: bool = True) -> subprocess.CompletedProcess[bytes]:
        return subprocess.run(
            ["pactl", *words], env=self.environment, capture_output=True, check=check
        )


def offset_of(recorded: np.ndarray, played: np.ndarray) -> int:
    """Frame of a recording at which what was played begins, by its first blow."""
    at = int(np.argmax(np.abs(played) > 0.2 * np.max(np.abs(played))))
    part = played[at : at + 4096]
    size = 1 << int(np.ceil(np.log2(recorded.size + part.size)))
    match = np.fft.irfft(np.fft.rfft(recorded, size) * np.conj(np.fft.rfft(part, size)), size)
    return int(np.argmax(match[: recorded.size])) - at
