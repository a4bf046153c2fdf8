"""The set-up step of the tests on a real piano fails loudly, in one line, or does its work."""

from __future__ import annotations

import hashlib
import importlib.util
import io
import subprocess
import tarfile
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture
def fetching(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The step, with a cache of its own."""
    path = Path(__file__).with_name("fetch_recordings.py")
    spec = importlib.util.spec_from_file_location("fetching_alone", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    monkeypatch.setattr(module, "CACHE", tmp_path / "cache")
    return module


def _answer(
    monkeypatch: pytest.MonkeyPatch, fetching: ModuleType, *, data: bytes | None, code: int = 0
) -> None:
    """Let npm put this package into the folder it is called in."""

    def run(command: list[str], *, cwd: Path, **_: object) -> subprocess.CompletedProcess[str]:
        if data is not None:
            (cwd / "package.tgz").write_bytes(data)
        return subprocess.CompletedProcess(command, code, "", "npm error\nnpm error 404 not found")

    monkeypatch.setattr(fetching.shutil, "which", lambda _: "/usr/bin/npm")
    monkeypatch.setattr(fetching.subprocess, "run", run)


def _package(names: list[str]) -> bytes:
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w:gz") as archive:
        for name in names:
            info = tarfile.TarInfo(name)
            info.size = 3
            archive.addfile(info, io.BytesIO(b"abc"))
    return buffer.getvalue()


def _expect(monkeypatch: pytest.MonkeyPatch, fetching: ModuleType, data: bytes) -> None:
    monkeypatch.setitem(fetching.SHA256, 8, hashlib.sha256(data).hexdigest())


def test_without_npm(fetching: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fetching.shutil, "which", lambda _: None)
    with pytest.raises(fetching.FetchError, match=r"npm is not installed.*apt-get install npm"):
        fetching.fetch_layer(8)


def test_when_the_registry_does_not_have_it(
    fetching: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    _answer(monkeypatch, fetching, data=None, code=1)
    with pytest.raises(fetching.FetchError, match=r"failed: npm error 404 not found$"):
        fetching.fetch_layer(8)


def test_another_package_of_that_name_is_refused(
    fetching: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    _answer(monkeypatch, fetching, data=_package(["package/audio/A0v8.ogg"]))
    with pytest.raises(fetching.FetchError, match="not the one these tests were written for"):
        fetching.fetch_layer(8)
    assert list(fetching.CACHE.glob("layer*")) == []


def test_only_the_recordings_are_unpacked_and_only_once(
    fetching: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = [f"package/audio/N{i}v8.ogg" for i in range(fetching.NOTES)]
    data = _package([*names, "package/index.js", "package/audio/../../../escaped.txt"])
    _answer(monkeypatch, fetching, data=data)
    _expect(monkeypatch, fetching, data)
    folder = fetching.fetch_layer(8)
    assert len(list(folder.glob("*.ogg"))) == fetching.NOTES
    assert not (folder / "index.js").exists()
    assert not (fetching.CACHE.parent / "escaped.txt").exists()
    monkeypatch.setattr(fetching.shutil, "which", lambda _: None)
    assert fetching.fetch_layer(8) == folder  # from the cache


def test_a_package_with_too_few_recordings_is_said(
    fetching: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = _package(["package/audio/A0v8.ogg"])
    _answer(monkeypatch, fetching, data=data)
    _expect(monkeypatch, fetching, data)
    with pytest.raises(fetching.FetchError, match="1 recordings instead of 30"):
        fetching.fetch_layer(8)
