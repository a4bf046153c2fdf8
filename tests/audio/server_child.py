"""Records from the sound server and tells what happens, one JSON object a line.

Arguments: folder for the run, keys separated by commas, hold in s, seconds at most, and how many
times the keys are gone over (once). Ends when all keys are there, or after that time. PortAudio
reads the environment once, hence a process.
"""

from __future__ import annotations

import json
import logging
import sys
import time
from pathlib import Path

from toneapp.analysis.live import LiveMeasure
from toneapp.audio.capture import (
    BlowJudged,
    CaptureEngine,
    DeviceSource,
    Interrupted,
    KeyPlan,
    Overrun,
    Resumed,
    RunFolder,
    RunPlan,
    State,
    Touch,
    warm_up,
)

LAST_S = 0.3


def _say(**words: object) -> None:
    print(json.dumps(words), flush=True)


def _tell(event: object) -> None:
    match event:
        case BlowJudged():
            blow = event.blow
            _say(
                event="blow",
                midi=blow.midi,
                reason=blow.reason.value,
                onset_s=blow.onset_s,
                latency_s=event.latency_s,
            )
        case Interrupted():
            _say(event="interrupted", fault=event.fault.value, text=event.text)
        case Resumed():
            _say(event="resumed", fault=event.fault.value)
        case Overrun():
            _say(event="overrun", frames=event.frames)


def main() -> None:
    logging.basicConfig(level=logging.WARNING)  # to the error stream, for the test to show
    parent, keys = Path(sys.argv[1]), tuple(int(key) for key in sys.argv[2].split(","))
    hold_s, most_s = float(sys.argv[3]), float(sys.argv[4])
    rounds = int(sys.argv[5]) if len(sys.argv) > 5 else 1
    plan = RunPlan(notes=keys, hold_s=hold_s, touches=(Touch.ANY,) * rounds, rounds="whole")
    source = DeviceSource("pulse")
    measure = LiveMeasure()
    warm_up(measure, sample_rate_hz=source.sample_rate_hz)
    folder = RunFolder.create(
        parent, plan=plan, facts={}, sample_rate_hz=source.sample_rate_hz, channels=1
    )
    engine = CaptureEngine(source, folder, KeyPlan(plan), measure, checks_room=False)
    began_s, worked_s = time.monotonic(), time.process_time()
    engine.start()
    is_ready = False
    while time.monotonic() - began_s < most_s:
        for event in engine.poll():
            _tell(event)
        seen = engine.snapshot()
        if not is_ready and seen.at_s > 0.2:
            is_ready = True
            _say(event="ready")
        if seen.state is State.DONE:
            time.sleep(LAST_S)
            break
        time.sleep(0.02)
    took_s = time.monotonic() - began_s
    worked_s = time.process_time() - worked_s
    closed = engine.close()
    for event in engine.poll():
        _tell(event)
    _say(
        event="closed",
        is_done=closed.is_done,
        parts=[str(path) for path in closed.parts],
        frames=closed.frames,
        overruns=closed.overruns,
        lost_frames=closed.lost_frames,
        cpu_share=worked_s / took_s,
    )


if __name__ == "__main__":
    main()
