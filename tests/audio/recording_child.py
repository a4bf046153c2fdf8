"""Records a file in real time until it is killed; started by tests as a process of its own.

Arguments: sound file, folder for the run, keys separated by commas.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from toneapp.analysis.live import LiveMeasure
from toneapp.audio.capture import CaptureEngine, FileSource, KeyPlan, RunFolder, RunPlan


def main() -> None:
    path, parent, keys = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3]
    plan = RunPlan(notes=tuple(int(key) for key in keys.split(",")), hold_s=1.0)
    source = FileSource(path, real_time=True)
    folder = RunFolder.create(
        parent, plan=plan, facts={}, sample_rate_hz=source.sample_rate_hz, channels=1
    )
    engine = CaptureEngine(source, folder, KeyPlan(plan), LiveMeasure(), checks_room=False)
    began_s = time.monotonic()  # one clock for all processes of the machine
    engine.start()
    print(f"started {began_s}", flush=True)
    engine.wait_until_ended()


if __name__ == "__main__":
    main()
