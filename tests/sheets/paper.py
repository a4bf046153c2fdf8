"""What the tools of poppler say about a PDF; the tests that need them are skipped without."""

from __future__ import annotations

import re
import shutil
import subprocess
import unicodedata
from pathlib import Path

import pytest

needs_poppler = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="poppler-utils is not installed"
)


def _told(*words: str) -> str:
    done = subprocess.run(words, capture_output=True, check=True, timeout=60)
    return done.stdout.decode("utf-8", errors="replace")


def _file(content: bytes, folder: Path) -> str:
    path = folder / "sheet.pdf"
    path.write_bytes(content)
    return str(path)


def text_of(content: bytes, folder: Path) -> str:
    """All words, with single spaces."""
    raw = _told("pdftotext", "-raw", _file(content, folder), "-")
    return flat(raw)


def flat(text: str) -> str:
    return " ".join(unicodedata.normalize("NFC", text).replace("\u200b", "").split())


def facts_of(content: bytes, folder: Path) -> dict[str, str]:
    lines = _told("pdfinfo", _file(content, folder)).splitlines()
    return {name: value.strip() for name, _, value in (line.partition(":") for line in lines)}


def fonts_of(content: bytes, folder: Path) -> list[tuple[str, str]]:
    """Name and whether it is embedded."""
    lines = _told("pdffonts", _file(content, folder)).splitlines()[2:]
    return [(line.split()[0], line[-27:].split()[0]) for line in lines]


def words_beyond(content: bytes, folder: Path) -> list[str]:
    """Words that reach beyond the edges of their page."""
    found = []
    width = height = 0.0
    for line in _told("pdftotext", "-bbox", _file(content, folder), "-").splitlines():
        if page := re.search(r'<page width="([\d.]+)" height="([\d.]+)"', line):
            width, height = float(page[1]), float(page[2])
        elif word := re.search(
            r'xMin="([-\d.]+)" yMin="([-\d.]+)" xMax="([-\d.]+)" yMax="([-\d.]+)">(.*?)<', line
        ):
            left, top, right, bottom = (float(word[i]) for i in range(1, 5))
            if left < 20 or top < 0 or right > width - 20 or bottom > height:
                found.append(word[5])
    return found
