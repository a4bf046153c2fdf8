"""Do two programs that work on one library at once lose or spoil anything?

Each of two processes adds instruments, takes runs in, removes some, and counts up one number that
both share, reading it first and writing it back; who comes second is told and tries again. At the
end the number must be the sum of the writes that were reported done, and everything added must be
there. To be run by itself for a longer time::

    python tests/library/two_programs.py FOLDER 60

Prints one JSON object.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from invented import Measures, check_sentence, invent_run, write_noise

from toneapp.library import Instrument, Library, LibraryConflict, Run


def work(folder: Path, seconds: float, name: str) -> dict[str, Any]:
    """One of the two programs."""
    rng = np.random.default_rng(len(name))
    measures = Measures(invent_run(np.random.default_rng(2), midis=range(60, 70), strikes=2))
    sound = write_noise(folder.parent / f"{name}.wav", key=len(name), seconds=0.1)
    done = {"counted": 0, "conflicts": 0, "added": 0, "runs": [], "removed": 0}
    last = time.monotonic() + seconds
    with Library(folder) as library:
        while time.monotonic() < last:
            shared = library.instruments.get(1)
            try:
                library.instruments.change(replace(shared, notes=str(int(shared.notes) + 1)))
                done["counted"] += 1
            except LibraryConflict as exc:
                check_sentence(exc, "changed this meanwhile")
                done["conflicts"] += 1
            turn = rng.integers(12)
            if turn == 0:
                library.instruments.add(Instrument(name=f"{name} {done['added']}"))
                done["added"] += 1
            elif turn == 1:
                run = library.runs.add(Run(instrument_id=1, condition=name), sound)
                library.measuring.measure(run.id, measures)
                done["runs"].append(run.id)
            elif turn == 2 and done["runs"]:
                library.runs.remove(library.runs.get(done["runs"].pop()))
                library.bin.empty()
                done["removed"] += 1
            library.search(name)
    return done


def run_both(folder: Path, seconds: float) -> dict[str, Any]:
    """Let both work, and look at what is there afterwards."""
    with Library(folder) as library:
        library.instruments.add(Instrument(name="Shared", notes="0"))
    programs = [
        subprocess.Popen(
            [sys.executable, __file__, str(folder), str(seconds), name],
            stdout=subprocess.PIPE,
            text=True,
        )
        for name in ("one", "three")
    ]
    answers = []
    for program in programs:
        output, _ = program.communicate(timeout=seconds + 60)
        assert program.returncode == 0
        answers.append(json.loads(output))
    with Library(folder) as library:
        assert library.check() == ()
        assert int(library.instruments.get(1).notes) == sum(a["counted"] for a in answers)
        names = [instrument.name for instrument in library.instruments.all()]
        assert len(names) == 1 + sum(a["added"] for a in answers)
        runs = {run.id for run in library.runs.all()}
        assert runs == {run_id for a in answers for run_id in a["runs"]}
        assert all(library.measuring.result(run_id) for run_id in runs)
        assert library.leftovers(older_than_s=0.0) == ()
    return {
        name: sum(a[name] for a in answers)
        for name in ("counted", "conflicts", "added", "removed")
    } | {"runs": len(runs)}


if __name__ == "__main__":
    if len(sys.argv) > 3:
        print(json.dumps(work(Path(sys.argv[1]), float(sys.argv[2]), sys.argv[3])))
    else:
        print(json.dumps(run_both(Path(sys.argv[1]), float(sys.argv[2]))))
