"""The set-up script: what it does again, what it leaves alone, and what it says."""

from __future__ import annotations

import ast
import importlib.util
import os
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parents[1]


@pytest.fixture
def start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The script, at work on an empty folder; `commands` holds what it would have run."""
    spec = importlib.util.spec_from_file_location("start", ROOT / "start.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    (tmp_path / "pyproject.toml").write_text("[project]")
    for kind, name in (("run", "requirements.lock"), ("test", "requirements-test.lock")):
        (tmp_path / name).write_text(f"{kind}==1")
        module.LOCKS[kind] = tmp_path / name
    environment = tmp_path / ".venv"
    monkeypatch.setattr(module, "HERE", tmp_path)
    monkeypatch.setattr(module, "ENVIRONMENT", environment)
    monkeypatch.setattr(module, "STAMP", environment / "stamp.json")
    commands: list[list[str]] = []

    def call(command: list[str], more: object = None) -> int:  # noqa: ARG001
        commands.append(command)
        if "venv" in command:
            environment.mkdir(exist_ok=True)
        return 0

    monkeypatch.setattr(module, "call", call)
    monkeypatch.setattr(module, "is_usable", lambda _python: environment.exists())
    module.commands = commands
    return module


def kinds(start: ModuleType) -> list[str]:
    """What was done, in a word each."""
    done = []
    for command in start.commands:
        if "venv" in command:
            done.append("venv")
        elif "--require-hashes" in command:
            done.append(Path(command[-1]).name)
        elif "--editable" in command:
            done.append("toneapp")
    start.commands.clear()
    return done


def test_nothing_is_done_twice(start: ModuleType) -> None:
    start.set_up("run")
    assert kinds(start) == ["venv", "requirements.lock", "toneapp"]
    start.set_up("run")
    assert kinds(start) == []
    start.set_up("test")
    assert kinds(start) == ["requirements-test.lock"]
    start.set_up("run")
    start.set_up("test")
    assert kinds(start) == []


def test_the_test_lock_holds_the_other_one(start: ModuleType) -> None:
    start.set_up("test")
    start.set_up("run")
    assert kinds(start) == ["venv", "requirements-test.lock", "toneapp"]


def test_a_changed_lock_is_installed(start: ModuleType) -> None:
    start.set_up("run")
    kinds(start)
    start.LOCKS["run"].write_text("run==2")
    start.set_up("run")
    assert kinds(start) == ["requirements.lock"]


def test_an_interrupted_installation_is_done_again(
    start: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = start.call
    monkeypatch.setattr(
        start,
        "call",
        lambda command, more=None: int("--require-hashes" in command) or whole(command, more),
    )
    with pytest.raises(start.SetupError, match="could not be installed"):
        start.set_up("run")
    kinds(start)
    monkeypatch.setattr(start, "call", whole)
    start.set_up("run")
    assert kinds(start) == ["requirements.lock", "toneapp"]


def test_the_user_is_told_the_one_command_without_rights(
    start: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(os, "geteuid", lambda: 1000, raising=False)
    monkeypatch.setattr(start, "missing_system_packages", lambda _: ["libegl1", "python3-venv"])
    monkeypatch.setattr(start, "can_use_sudo", lambda: False)
    monkeypatch.setattr(start.shutil, "which", lambda name: f"/usr/bin/{name}")
    assert start.main(["setup"]) == 1
    said = capsys.readouterr().err
    assert "sudo apt-get install -y --no-install-recommends libegl1 python3-venv" in said
    assert start.commands == []


@pytest.mark.parametrize(("user", "before"), [(0, []), (1000, ["sudo"])])
def test_missing_packages_are_installed_with_rights(
    start: ModuleType, monkeypatch: pytest.MonkeyPatch, user: int, before: list[str]
) -> None:
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(os, "geteuid", lambda: user, raising=False)
    monkeypatch.setattr(start, "missing_system_packages", lambda _: ["libegl1"])
    monkeypatch.setattr(start, "can_use_sudo", lambda: True)
    monkeypatch.setattr(start.shutil, "which", lambda name: f"/usr/bin/{name}")
    start.install_system_packages()
    update, install = start.commands
    assert update[: len(before) + 2] == [*before, "apt-get", "update"]
    assert install[: len(before) + 2] == [*before, "apt-get", "install"]
    assert install[-1] == "libegl1"


def test_the_list_of_packages_can_be_read(
    start: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(_name: str) -> None:
        raise OSError

    monkeypatch.setattr(start.ctypes, "CDLL", refuse)
    missing = start.missing_system_packages()
    assert {"libegl1", "libportaudio2", "libxcb-cursor0"} <= set(missing)
    assert "python3-venv" not in missing  # it is there, or this would not run
    assert "npm" not in missing
    monkeypatch.setattr(start.shutil, "which", lambda _name: None)
    assert "npm" in start.missing_system_packages(with_test_programs=True)


@pytest.mark.parametrize("words", [[], ["sing"]])
def test_other_words_get_the_help(
    start: ModuleType, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert start.main(words) == 2
    assert "python3 start.py demo" in capsys.readouterr().out


def test_an_old_python_is_told(
    start: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(start, "OLDEST_PYTHON", (99, 0))
    assert start.main(["demo"]) == 1
    assert "needs Python 3.11 or newer" in capsys.readouterr().err


def test_it_needs_the_standard_library_only() -> None:
    tree = ast.parse((ROOT / "start.py").read_text(encoding="utf-8"), feature_version=(3, 7))
    imported = {
        alias.name.partition(".")[0]
        for node in ast.walk(tree)
        if isinstance(node, ast.Import | ast.ImportFrom)
        for alias in (
            node.names if isinstance(node, ast.Import) else [ast.alias(node.module or "")]
        )
    }
    assert imported <= set(sys.stdlib_module_names)


@pytest.mark.parametrize("name", ["requirements.lock", "requirements-test.lock"])
def test_locks_hold_exact_versions_with_hashes_and_no_addresses(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    assert "://" not in text
    assert "--index" not in text
    entries = [entry for entry in text.replace("\\\n", " ").splitlines() if entry[:1].isalpha()]
    assert len(entries) > 20
    assert all("==" in entry and "--hash=sha256:" in entry for entry in entries)
