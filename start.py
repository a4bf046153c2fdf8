#!/usr/bin/env python3
"""Set toneapp up in this folder, then do what the word says.

    python3 start.py demo               simulate a small piano, measure it, show the result
    python3 start.py test [...]         every check and every test; more words go to pytest
    python3 start.py run WORDS...       toneapp with these words, such as: run analyse my-run.flac
    python3 start.py setup              set up only

The set-up lies in ``.venv`` beside this file: exactly the packages of ``requirements.lock`` (for
``test`` also those of ``requirements-test.lock``), each checked against its hash. It is done once
and again only when a lock file changes. Needs Python 3.11 or newer and nothing else; on Debian and
its relatives missing system libraries are installed if that is possible without asking for a
password, otherwise the one command to do so is printed.
"""

# Standard library only, and readable by any Python 3, so that an old one gets a clear answer.
import ctypes
import hashlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
ENVIRONMENT = HERE / ".venv"
STAMP = ENVIRONMENT / "toneapp-setup.json"
SYSTEM_PACKAGES = HERE / "packaging" / "debian-packages.txt"
LOCKS = {"run": HERE / "requirements.lock", "test": HERE / "requirements-test.lock"}
OLDEST_PYTHON = (3, 11)
TEST_WORKERS = 2  # most machines have two cores to spare; a worker needs about 0.5 GB


class SetupError(Exception):
    """Set-up cannot go on; the message says what to do."""


def main(words):
    """Carry out the words of the command line; return the exit code."""
    if sys.version_info < OLDEST_PYTHON:
        print(
            "toneapp needs Python 3.11 or newer; this is {}.{}. Start this file with a newer "
            "one, for example: python3.11 start.py demo".format(*sys.version_info[:2]),
            file=sys.stderr,
        )
        return 1
    if not words or words[0] not in ("demo", "test", "run", "setup"):
        print((__doc__ or "").strip())
        return 0 if words[:1] in (["-h"], ["--help"]) else 2
    word, rest = words[0], words[1:]
    try:
        install_system_packages(with_test_programs=word == "test")
        python = set_up("test" if word == "test" else "run")
    except SetupError as fault:
        print(f"start.py: {fault}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("start.py: stopped; start it again to go on", file=sys.stderr)
        return 130
    try:
        if word == "demo":
            folder = ["--folder", str(HERE / "demo" / "output")]
            return call([python, "-m", "toneapp", "demo", *(rest or folder)])
        if word == "test":
            return check_and_test(python, rest)
        if word == "run":
            return call([python, "-m", "toneapp", *rest])
    except KeyboardInterrupt:
        return 130
    print(f"ready: {console_script()}")
    return 0


def check_and_test(python, pytest_words):
    """Run every check, then the tests; stop at the first check that finds something."""
    os.chdir(HERE)
    environment = {
        # One thread a worker: two workers on two cores are faster than four threads on them.
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
        "QT_QPA_PLATFORM": "offscreen",
    }
    checks = (
        ("formatting", ["ruff", "format", "--check", "."]),
        ("style and likely mistakes", ["ruff", "check", "."]),
        ("types", ["mypy"]),
        ("layers", ["lint-imports", "--no-logo"]),
        ("spelling", ["codespell"]),
    )
    for subject, command in checks:
        print(f"-- {subject}: {' '.join(command)}", flush=True)
        program = str(Path(python).parent / command[0])
        code = call([program, *command[1:]], environment)
        if code != 0:
            print(f"start.py: the check of {subject} failed; no test was run", file=sys.stderr)
            return code
    print("-- tests: pytest", flush=True)
    workers = ["-n", str(TEST_WORKERS), "--dist", "loadfile"]
    return call([python, "-m", "pytest", *workers, *pytest_words], environment)


def set_up(kind):
    """Bring the environment to the state of a lock file; return its Python.

    Parameters
    ----------
    kind : str
        "run" for what toneapp itself needs, "test" for the test tools as well.
    """
    python = environment_python()
    wanted = {name: digest(path) for name, path in LOCKS.items()}
    wanted["toneapp"] = digest(HERE / "pyproject.toml")
    if not is_usable(python):
        print(f"setting up Python packages in {ENVIRONMENT} (once; a few minutes)", flush=True)
        if call([sys.executable, "-m", "venv", "--clear", str(ENVIRONMENT)]) != 0:
            raise SetupError(
                f"no environment could be made in {ENVIRONMENT}; "
                "is the folder writable and Python complete (venv and pip)?"
            )
    done = read_stamp()
    pip = [python, "-m", "pip", "--disable-pip-version-check", "install", "--quiet"]
    if done.get(kind) != wanted[kind]:
        lock = LOCKS[kind]
        print(f"installing the packages of {lock.name}", flush=True)
        # The lock is complete, so nothing beside it may come in; wheels only, nothing is compiled.
        exact = ["--require-hashes", "--no-deps", "--only-binary", ":all:"]
        if call([*pip, *exact, "-r", str(lock)]) != 0:
            raise SetupError(
                f"the packages of {lock.name} could not be installed (see above); "
                "check the network connection and start again"
            )
        done[kind] = wanted[kind]
        if kind == "test":  # made with the other lock as its constraint, so it holds all of that
            done["run"] = wanted["run"]
        write_stamp(done)
    if done.get("toneapp") != wanted["toneapp"]:
        own = ["--no-deps", "--no-build-isolation", "--editable", str(HERE)]
        if call([*pip, *own]) != 0:
            raise SetupError("toneapp itself could not be installed (see above)")
        done["toneapp"] = wanted["toneapp"]
        write_stamp(done)
    return python


def environment_python():
    """Path of the environment's Python, whether or not it exists yet."""
    if os.name == "nt":
        return str(ENVIRONMENT / "Scripts" / "python.exe")
    return str(ENVIRONMENT / "bin" / "python")


def console_script():
    """Path of the installed command, as the user types it."""
    if os.name == "nt":
        return str(ENVIRONMENT / "Scripts" / "toneapp.exe")
    return str(ENVIRONMENT / "bin" / "toneapp")


def is_usable(python):
    """Tell whether the environment exists, runs, and belongs to this version of Python."""
    question = "import sys, pip; print(*sys.version_info[:2])"
    try:
        answer = subprocess.run(
            [python, "-c", question], capture_output=True, text=True, check=False
        )
    except OSError:
        return False
    return answer.stdout.split() == [str(part) for part in sys.version_info[:2]]


def install_system_packages(with_test_programs=False):
    """Install the missing system libraries and programs, or say how (Linux only)."""
    if not sys.platform.startswith("linux"):
        return
    missing = missing_system_packages(with_test_programs)
    if not missing:
        return
    if shutil.which("apt-get") is None:
        print(
            f"start.py: not found on this system: what Debian calls {' '.join(missing)}; "
            "if the demo does not start, install your system's packages of that kind",
            file=sys.stderr,
        )
        return
    privilege = [] if os.geteuid() == 0 else ["sudo"]
    install = ["apt-get", "install", "-y", "--no-install-recommends", *missing]
    by_hand = f"sudo apt-get update && sudo {' '.join(install)}"
    if privilege and not can_use_sudo():
        raise SetupError(f"system packages are missing; run this, then start again:\n  {by_hand}")
    print(f"installing system packages: {' '.join(missing)}", flush=True)
    quiet = {"DEBIAN_FRONTEND": "noninteractive"}
    # A failing update (one dead source) need not keep the install from working.
    call([*privilege, "apt-get", "update", "-qq"], quiet)
    if call([*privilege, *install], quiet) != 0:
        raise SetupError(f"system packages could not be installed; run this by hand:\n  {by_hand}")


def missing_system_packages(with_test_programs=False):
    """List the Debian packages of what is not there, and of Python's own missing parts."""
    missing = []
    for line in SYSTEM_PACKAGES.read_text(encoding="utf-8").splitlines():
        fields = line.partition("#")[0].split()
        if len(fields) != 2:
            continue
        name, package = fields
        if name.startswith("program:"):
            if with_test_programs and shutil.which(name.partition(":")[2]) is None:
                missing.append(package)
            continue
        try:
            ctypes.CDLL(name)
        except OSError:
            missing.append(package)
    complete = [sys.executable, "-c", "import ensurepip, venv"]
    if subprocess.run(complete, capture_output=True, check=False).returncode != 0:
        missing.append("python3-venv")
    return missing


def can_use_sudo():
    """Tell whether sudo works without a password."""
    if shutil.which("sudo") is None:
        return False
    return subprocess.run(["sudo", "-n", "true"], capture_output=True, check=False).returncode == 0


def digest(path):
    """SHA-256 of a file, as hexadecimal text."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def read_stamp():
    """Read what the environment holds: digests of the files it was made from."""
    try:
        stamp = json.loads(STAMP.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return stamp if isinstance(stamp, dict) else {}


def write_stamp(stamp):
    """Note what the environment holds."""
    STAMP.write_text(json.dumps(stamp, indent=1), encoding="utf-8")


def call(command, more_environment=None):
    """Run a command with this terminal as its input and output; return its exit code."""
    environment = dict(os.environ, **(more_environment or {}))
    try:
        return subprocess.run(command, env=environment, check=False).returncode
    except OSError as fault:
        print(f"start.py: {command[0]} cannot be started: {fault}", file=sys.stderr)
        return 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
