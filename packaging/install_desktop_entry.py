"""Puts toneapp into the menu of the desktop of this user (Linux).

``python3 packaging/install_desktop_entry.py`` writes the entry and the icons below
``~/.local/share`` and says what it wrote; with ``--remove`` they are taken away again.
"""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent


def main(words: list[str]) -> int:
    """Write or remove the files; return the exit code."""
    home = Path(os.environ.get("XDG_DATA_HOME") or Path("~/.local/share").expanduser())
    entry = home / "applications" / "toneapp.desktop"
    icons = {
        HERE / "icons" / "toneapp.svg": home / "icons/hicolor/scalable/apps/toneapp.svg",
        **{
            HERE / "icons" / f"toneapp-{size}.png": home
            / f"icons/hicolor/{size}x{size}/apps/toneapp.png"
            for size in (48, 64, 128, 256)
        },
    }
    if words == ["--remove"]:
        for path in (entry, *icons.values()):
            path.unlink(missing_ok=True)
        return 0
    if words:
        sys.stderr.write("say nothing, or --remove\n")
        return 2
    for source, target in icons.items():
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source, target)
    entry.parent.mkdir(parents=True, exist_ok=True)
    text = (HERE / "toneapp.desktop").read_text(encoding="utf-8")
    start = shutil.which("toneapp") or HERE / "toneapp.sh"
    entry.write_text(text.replace("Exec=toneapp", f'Exec="{start}"'), encoding="utf-8")
    sys.stdout.write(f"written: {entry}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
