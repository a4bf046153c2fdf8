"""A file is written whole or not at all."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
from pathlib import Path
from typing import IO

import pytest

from toneapp.errors import OutputError
from toneapp.saving import replacing, write_atomically


def test_writes_bytes_and_leaves_nothing_else(tmp_path: Path) -> None:
    write_atomically(tmp_path / "a.json", b"{}")
    assert (tmp_path / "a.json").read_bytes() == b"{}"
    assert [path.name for path in tmp_path.iterdir()] == ["a.json"]


def test_replaces_an_earlier_file_and_keeps_its_mode(tmp_path: Path) -> None:
    target = tmp_path / "a.json"
    target.write_text("old")
    target.chmod(0o640)
    write_atomically(target, lambda file: file.write(b"new") and None)
    assert target.read_text() == "new"
    assert target.stat().st_mode & 0o777 == 0o640


@pytest.mark.skipif(os.name == "nt", reason="modes of POSIX systems")
def test_a_new_file_has_the_mode_of_any_new_file(tmp_path: Path) -> None:
    (tmp_path / "plain").write_bytes(b"")
    write_atomically(tmp_path / "ours", b"")
    assert (tmp_path / "ours").stat().st_mode == (tmp_path / "plain").stat().st_mode


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_a_link_goes_on_pointing_to_the_new_content(tmp_path: Path) -> None:
    (tmp_path / "real").write_text("old")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    write_atomically(tmp_path / "link", b"new")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_text() == "new"


def test_a_fault_while_writing_leaves_the_earlier_file(tmp_path: Path) -> None:
    target = tmp_path / "a.json"
    target.write_text("old")

    def half(file: IO[bytes]) -> None:
        file.write(b"ne")
        raise RuntimeError("a fault of our own")

    with pytest.raises(RuntimeError, match="of our own"):
        write_atomically(target, half)
    assert target.read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["a.json"]


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda folder: folder / "none" / "a.json", "the folder does not exist"),
        (lambda folder: folder, "a folder has that name"),
        (lambda folder: folder / ("a" * 300), "name is too long"),
    ],
)
def test_what_cannot_be_written_is_one_clear_line(tmp_path: Path, make, said: str) -> None:
    with pytest.raises(OutputError, match=said) as caught:
        write_atomically(make(tmp_path), b"x")
    assert "\n" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="rights of POSIX systems")
def test_no_right_to_write_is_said(tmp_path: Path) -> None:
    folder = tmp_path / "closed"
    folder.mkdir()
    folder.chmod(0o555)
    was_root = os.geteuid() == 0
    if was_root:  # root may write anywhere, so be somebody else for a moment
        os.seteuid(65534)
    try:
        with pytest.raises(OutputError, match="may not write there"):
            write_atomically(folder / "a.json", b"x")
    finally:
        if was_root:
            os.seteuid(0)
    assert list(folder.iterdir()) == []


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs the device that is always full")
def test_a_full_disk_is_said_and_the_earlier_file_kept(tmp_path: Path) -> None:
    target = tmp_path / "a.json"
    target.write_text("old")

    def onto_full_disk(file: IO[bytes]) -> None:
        # From here on the file's descriptor leads to a device on which every write fails.
        with Path("/dev/full").open("wb") as full:
            os.dup2(full.fileno(), file.fileno())
        file.write(b"x" * 100_000)

    with pytest.raises(OutputError, match="the disk is full; make room"):
        write_atomically(target, onto_full_disk)
    assert target.read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["a.json"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device file")
def test_a_device_is_written_to_and_not_replaced() -> None:
    write_atomically("/dev/null", b"x")
    assert Path("/dev/null").is_char_device()
    with pytest.raises(OutputError, match="the disk is full"):
        write_atomically("/dev/full", b"x")


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX systems")
def test_a_killed_process_leaves_the_earlier_file(tmp_path: Path) -> None:
    target = tmp_path / "a.json"
    target.write_text("old")
    program = f"""
        import time
        from toneapp.saving import write_atomically
        def slow(file):
            file.write(b"half"); file.flush()
            print("writing", flush=True)
            time.sleep(60)
        write_atomically({str(target)!r}, slow)
    """
    with subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(program)], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "writing\n"
        process.send_signal(signal.SIGKILL)
    assert target.read_text() == "old"


def test_a_writer_by_name_gets_a_file_with_the_same_ending(tmp_path: Path) -> None:
    with replacing(tmp_path / "run.flac") as temporary:
        assert temporary.suffix == ".flac"
        assert temporary.parent == tmp_path
        temporary.write_bytes(b"sound")
    assert (tmp_path / "run.flac").read_bytes() == b"sound"
