"""A small remote control of headless Chromium, over the pipe of its DevTools protocol."""

from __future__ import annotations

import itertools
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from types import TracebackType
from typing import Any, Self

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")

LONGEST_S = 60


class Browser:
    """One window of Chromium; a context manager."""

    def __init__(self, profile: Path) -> None:
        self._numbers = itertools.count(1)
        to_browser, self._out = os.pipe()
        self._in, from_browser = os.pipe()
        words = [
            str(CHROMIUM), "--headless", "--disable-gpu", "--mute-audio", "--no-first-run",
            "--window-size=1100,900", "--remote-debugging-pipe", f"--user-data-dir={profile}",
            "about:blank",
        ]  # fmt: skip
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            words.append("--no-sandbox")  # which root may not use
        starter = (  # the browser reads from descriptor 3 and answers on 4
            "import os, sys; os.dup2(int(sys.argv[1]), 60); os.dup2(int(sys.argv[2]), 61); "
            "os.dup2(60, 3); os.dup2(61, 4); os.execv(sys.argv[3], sys.argv[3:])"
        )
        self._process = subprocess.Popen(
            [sys.executable, "-c", starter, str(to_browser), str(from_browser), *words],
            pass_fds=(to_browser, from_browser),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_browser)
        os.close(from_browser)
        self._rest = b""
        self.events: list[dict[str, Any]] = []
        targets = self._call("Target.getTargets", session=None)["targetInfos"]
        target = next(item["targetId"] for item in targets if item["type"] == "page")
        answer = self._call("Target.attachToTarget", session=None, targetId=target, flatten=True)
        self._session = answer["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Call a method of the protocol on the page."""
        return self._call(method, session=self._session, **parameters)

    def open(self, path: Path, *, is_dark: bool = False) -> None:
        """Open a page and wait until it is loaded."""
        scheme = {"name": "prefers-color-scheme", "value": "dark" if is_dark else "light"}
        self.call("Emulation.setEmulatedMedia", features=[scheme])
        self.events.clear()
        self.call("Page.navigate", url=path.as_uri())
        while not any(event.get("method") == "Page.loadEventFired" for event in self.events):
            self.events.append(self._message())

    def tell(self, script: str) -> Any:
        """Value, or value that is promised, of a script, run as if a person had just clicked."""
        answer = self.call(
            "Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True,
            userGesture=True,
        )  # fmt: skip
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def requests(self) -> list[str]:
        """Addresses that the page has asked for."""
        return [
            event["params"]["request"]["url"]
            for event in self.events
            if event.get("method") == "Network.requestWillBeSent"
        ]

    def _call(self, method: str, *, session: str | None, **parameters: Any) -> dict[str, Any]:
        number = next(self._numbers)
        message = {"id": number, "method": method, "params": parameters}
        if session is not None:
            message["sessionId"] = session
        os.write(self._out, json.dumps(message).encode("utf-8") + b"\0")
        while True:
            found = self._message()
            if found.get("id") == number:
                assert "error" not in found, found
                return dict(found["result"])
            self.events.append(found)

    def _message(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            piece = os.read(self._in, 1 << 20)
            assert piece, "the browser has gone"
            self._rest += piece
        message, _, self._rest = self._rest.partition(b"\0")
        return dict(json.loads(message))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        os.close(self._out)
        os.close(self._in)
        self._process.terminate()
        self._process.wait(LONGEST_S)
