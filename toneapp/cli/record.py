"""``toneapp record``: record a run at the piano, key by key.

The same engine as in the window; this module turns words into its plan and its events into lines.

Functions: `add_command`.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from toneapp.cli.library_words import (
    analyse_for_library,
    answer,
    json_parent,
    library_parent,
    note_word,
    open_library,
)
from toneapp.cli.single_keys import SingleKeys
from toneapp.cli.streams import complain, progress_line, say, status_line
from toneapp.errors import Cancelled, InputError
from toneapp.keyboard import FULL_COMPASS, Compass
from toneapp.pitch import A4_HZ, note_name
from toneapp.wording import note_list_text

if TYPE_CHECKING:
    from toneapp.audio.capture import (
        Blow,
        CaptureEngine,
        ClosedRun,
        Event,
        Instrument,
        RunFolder,
        RunPlan,
        SoundSource,
        UnfinishedRun,
    )
    from toneapp.library import Library

__all__ = ["add_command"]

RECORDINGS = "recordings"
"""Folder, within that of the library, in which unfinished runs lie."""

POLL_S = 0.05
_KEYS = "n next  s skip  b back  a again  k keep  space pause  q finish"


def add_command(commands: Any, *, parents: list[argparse.ArgumentParser]) -> None:
    """Add the command and its words to the parser."""
    parser = commands.add_parser(
        "record",
        parents=[*parents, library_parent(), json_parent()],
        help="record a run at the piano, key by key",
        description="Lead through a run key by key, check every blow, and keep everything. "
        f"Keys while recording: {_KEYS}. What was recorded is kept even if the program ends.",
        allow_abbrev=False,
    )
    where = parser.add_argument_group("where it goes")
    where.add_argument("--instrument", metavar="INSTRUMENT", help="of the library, number or name")
    where.add_argument("--out", metavar="FILE", help="into this sound file, such as run.flac")
    where.add_argument(
        "--again", type=int, metavar="RUN", help="notes of this run once more, beside it"
    )
    where.add_argument("--condition", default="", metavar="TEXT", help='like "before refacing"')
    where.add_argument("--place", default="", metavar="TEXT", help="room and place in it")
    where.add_argument("--microphone", default="", metavar="TEXT")
    where.add_argument("--later", action="store_true", help="do not measure it now")
    where.add_argument("--jobs", type=int, metavar="N", help="processes at work")

    what = parser.add_argument_group("what is played")
    what.add_argument(
        "--purpose", choices=("evenness", "ring-on", "repetition"), default="evenness"
    )
    what.add_argument("--compass", metavar="A0-C8", help="of the keyboard")
    what.add_argument("--from", dest="start", type=note_word, metavar="NOTE", help="begin here")
    what.add_argument("--notes", metavar="C4,D4", help="only these keys")
    what.add_argument("--worklist", action="store_true", help="with --again: its open work only")
    what.add_argument("--white", action="store_true", help="only white keys")
    what.add_argument("--order", choices=("ascending", "descending"), default="ascending")
    what.add_argument(
        "--rounds",
        choices=("one", "three", "three-runs"),
        default="one",
        help="one blow a key; soft, medium and firm on each key; or a whole run of each",
    )
    what.add_argument("--hold", type=float, metavar="S", help="how long each key is held")

    source = parser.add_argument_group("where the sound comes from")
    source.add_argument("--device", metavar="INPUT", help="number or name; see toneapp devices")
    source.add_argument("--rate", type=int, default=48_000, metavar="HZ")
    source.add_argument("--channels", type=int, default=1, metavar="N", help="to record (1)")
    source.add_argument("--file", metavar="FILE", help="a recording in place of a microphone")
    source.add_argument("--real-time", action="store_true", help="with --file: at its own pace")
    source.add_argument("--no-room-check", action="store_true", help="begin at once")

    left = parser.add_argument_group("a run that was left unfinished")
    choice = left.add_mutually_exclusive_group()
    choice.add_argument("--resume", action="store_true", help="go on with it at the next key")
    choice.add_argument("--finish", action="store_true", help="close it as it is")
    choice.add_argument("--new", action="store_true", help="leave it and begin another")
    parser.set_defaults(run=_run_record)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Begun:
    """All that is needed to record, or only to close."""

    folder: RunFolder
    plan: RunPlan
    facts: dict[str, Any]
    unfinished: UnfinishedRun | None


def _run_record(arguments: argparse.Namespace) -> None:
    from toneapp.audio.capture import find_unfinished

    parent = _recordings_folder(arguments)
    left = find_unfinished(parent)
    if left and not (arguments.resume or arguments.finish or arguments.new):
        raise InputError(
            f"{_left_text(left[-1])} was left unfinished; go on with --resume, close it with "
            "--finish, or begin another with --new"
        )
    if (arguments.resume or arguments.finish) and not left:
        raise InputError("no run was left unfinished; begin one without --resume and --finish")
    unfinished = left[-1] if arguments.resume or arguments.finish else None
    if arguments.finish:
        assert unfinished is not None
        _finish(arguments, unfinished)
        return
    source = _source(arguments, unfinished)
    begun = _begin(arguments, parent, unfinished, source)
    closed = _record(arguments, begun, source)
    _keep(arguments, begun, closed)


def _recordings_folder(arguments: argparse.Namespace) -> Path:
    from toneapp.library import default_folder

    folder = Path(arguments.library) if arguments.library else default_folder()
    return folder / RECORDINGS


def _left_text(run: UnfinishedRun) -> str:
    plan = run.key_plan()
    return f"the run of {run.made_at[:16].replace('T', ' ')} ({plan.good} of {plan.wanted} blows)"


def _source(arguments: argparse.Namespace, unfinished: UnfinishedRun | None) -> SoundSource:
    from toneapp.audio.capture import DeviceSource, FileSource

    if arguments.file is not None:
        source: SoundSource = FileSource(Path(arguments.file), real_time=arguments.real_time)
    else:
        if arguments.real_time:
            raise InputError("--real-time goes with --file; a microphone has its own pace")
        if not 1 <= arguments.channels <= 8:
            raise InputError(f"{arguments.channels} channels cannot be recorded; name 1 to 8")
        device = arguments.device
        source = DeviceSource(
            int(device) if device is not None and device.isdigit() else device,
            sample_rate_hz=arguments.rate if unfinished is None else unfinished.sample_rate_hz,
            channels=arguments.channels if unfinished is None else unfinished.channels,
        )
    if unfinished is not None and (source.sample_rate_hz, source.channels) != (
        unfinished.sample_rate_hz,
        unfinished.channels,
    ):
        raise InputError(
            f"the run was recorded with {unfinished.sample_rate_hz} Hz and "
            f"{unfinished.channels} channels; go on with the same"
        )
    return source


def _begin(
    arguments: argparse.Namespace,
    parent: Path,
    unfinished: UnfinishedRun | None,
    source: SoundSource,
) -> _Begun:
    from toneapp.audio.capture import RunFolder

    if unfinished is not None:
        return _Begun(
            folder=RunFolder.go_on(unfinished),
            plan=unfinished.plan,
            facts=dict(unfinished.facts),
            unfinished=unfinished,
        )
    if (
        sum(value is not None for value in (arguments.instrument, arguments.out, arguments.again))
        != 1
    ):
        raise InputError("say where the run goes: --instrument NAME, --again RUN, or --out FILE")
    plan, facts = _plan_and_facts(arguments)
    plan.keys()  # before anything is made: is there a key to play?
    folder = RunFolder.create(
        parent,
        plan=plan,
        facts=facts,
        sample_rate_hz=source.sample_rate_hz,
        channels=source.channels,
    )
    return _Begun(folder=folder, plan=plan, facts=facts, unfinished=None)


def _plan_and_facts(arguments: argparse.Namespace) -> tuple[RunPlan, dict[str, Any]]:
    from toneapp.audio.capture import THREE_TOUCHES, RunKind, RunPlan, Touch

    compass = _compass(arguments.compass) or FULL_COMPASS
    purpose = arguments.purpose
    notes = _notes(arguments.notes)
    facts: dict[str, Any] = {
        "out": None if arguments.out is None else str(Path(arguments.out).absolute()),
        "again": arguments.again,
        "instrument": None,
        "condition": arguments.condition,
        "place": arguments.place,
        "microphone": arguments.microphone,
        "last_damper_midi": None,
        "a4_hz": A4_HZ,
        "detune_semitones": 0.0,
    }
    if arguments.worklist and arguments.again is None:
        raise InputError("--worklist goes with --again RUN; name the run")
    if arguments.out is None:
        with open_library(arguments) as library:
            if arguments.again is not None:
                run = library.runs.get(arguments.again)
                instrument = library.instruments.get(run.instrument_id)
                purpose = run.purpose.value
                if arguments.worklist:
                    open_work = library.worklist(run.id).entries
                    notes += tuple(
                        entry.midi for entry in open_work if entry.midi and not entry.is_done
                    )
                    if not notes:
                        raise InputError(f"the worklist of run {run.id} has no open note")
            else:
                instrument = library.instruments.find(arguments.instrument)
            compass = _compass(arguments.compass) or instrument.compass
            facts |= {
                "instrument": instrument.id,
                "last_damper_midi": instrument.last_damper_midi,
                "a4_hz": instrument.a4_hz,
                "detune_semitones": _detune(library, instrument.id),
            }
    if arguments.hold is not None and not 0.0 < arguments.hold <= 10.0:
        raise InputError(f"a hold of {arguments.hold:g} s cannot be; give up to 10 s")
    plan = RunPlan(
        kind=RunKind(purpose),
        compass=compass,
        order=arguments.order,
        white_only=arguments.white,
        notes=tuple(sorted(set(notes))),
        start_midi=arguments.start,
        touches=(Touch.ANY,) if arguments.rounds == "one" else THREE_TOUCHES,
        rounds="whole" if arguments.rounds == "three-runs" else "per_note",
        hold_s=arguments.hold,
    )
    return plan, facts


def _detune(library: Library, instrument_id: int) -> float:
    """Where the instrument stood in its last run, in semitones against A4 = 440 Hz."""
    for run in reversed(library.runs.all(instrument_id)):
        result = library.measuring.result(run.id)
        if result is not None and result.a4_measured_hz:
            return 12.0 * math.log2(result.a4_measured_hz / A4_HZ)
    return 0.0


def _compass(text: str | None) -> Compass | None:
    if text is None:
        return None
    try:
        return Compass.parse(text)
    except ValueError as exc:
        raise InputError(str(exc)) from exc


def _notes(text: str | None) -> tuple[int, ...]:
    if text is None:
        return ()
    try:
        return tuple(note_word(word) for word in text.replace(",", " ").split())
    except argparse.ArgumentTypeError as exc:
        raise InputError(str(exc)) from exc


def _instrument(facts: dict[str, Any]) -> Instrument:
    from toneapp.audio.capture import Instrument

    return Instrument(
        last_damper_midi=facts.get("last_damper_midi"),
        a4_hz=float(facts.get("a4_hz", A4_HZ)),
        detune_semitones=float(facts.get("detune_semitones", 0.0)),
    )


def _record(arguments: argparse.Namespace, begun: _Begun, source: SoundSource) -> ClosedRun:
    """Record until all keys are there, the file is over, or the user finishes.

    Raises
    ------
    Cancelled
        On Ctrl-C; what was recorded lies there to be gone on with.
    """
    from toneapp.analysis.live import LiveMeasure
    from toneapp.audio.capture import CaptureEngine, KeyPlan, warm_up

    is_quiet = arguments.json == "-"
    unfinished = begun.unfinished
    plan = KeyPlan(begun.plan) if unfinished is None else unfinished.key_plan()
    measure = LiveMeasure()
    try:
        warm_up(measure, sample_rate_hz=source.sample_rate_hz)
        engine = CaptureEngine(
            source,
            begun.folder,
            plan,
            measure,
            instrument=_instrument(begun.facts),
            checks_room=not arguments.no_room_check,
        )
        engine.start()
    except BaseException:
        if unfinished is None:
            begun.folder.remove()  # nothing was recorded
        else:
            begun.folder.release()
        raise
    say_line = (lambda _text: None) if is_quiet else say
    say_line(f"Recording from {source.name}: {plan.wanted} blows")
    try:
        with SingleKeys() as keys, status_line() as show:
            if keys.is_terminal:
                say_line(_KEYS)
            _lead(engine, keys, show, say_line)
    except KeyboardInterrupt:
        closed = engine.close()
        if not closed.frames:
            begun.folder.remove()
            raise
        raise Cancelled("stopped; go on with: toneapp record --resume") from None
    finally:
        engine.close()
    return engine.close()


def _lead(engine: CaptureEngine, keys: SingleKeys, show: Any, say_line: Any) -> None:
    """Show what happens and carry out keys, until it is over."""
    from toneapp.audio.capture import Command, State, ask_text, state_text

    commands = {
        "n": Command.NEXT,
        "s": Command.SKIP,
        "b": Command.BACK,
        "a": Command.AGAIN,
        "k": Command.KEEP,
    }
    while True:
        is_over = engine.has_ended
        for event in engine.poll():
            line = _event_line(event)
            if line:
                show("")
                say_line(line)
        seen = engine.snapshot()
        if is_over or seen.state is State.DONE:
            return
        key = keys.pressed()
        if key == "q":
            return
        if key == " ":
            engine.do(Command.GO_ON if seen.state is State.PAUSED else Command.PAUSE)
        elif key in commands:
            engine.do(commands[key])
        level = "" if seen.level_dbfs is None else f"{seen.level_dbfs:4.0f} dB"
        held = "" if seen.held_s is None else f"{seen.held_s:4.1f} s"
        show(
            f"{seen.good}/{seen.wanted}  {ask_text(seen.ask)}: {state_text(seen.state)}  "
            f"{held}  {level}"
        )
        time.sleep(POLL_S)


def _event_line(event: Event) -> str:
    """One line for what a person should know; empty for the rest."""
    from toneapp.audio.capture import (
        BlowJudged,
        BlowRevised,
        GainMoves,
        Interrupted,
        Overrun,
        Resumed,
        RoomChecked,
        blow_text,
    )

    match event:
        case BlowJudged():
            return blow_text(event.blow)
        case BlowRevised():
            name = note_name(event.blow.midi)
            return f"{name}  counts" if event.blow.is_counted else f"{name}  no longer counts"
        case RoomChecked():
            return "Room and input: " + "; ".join(line.text for line in event.report.lines)
        case GainMoves() | Interrupted() | Resumed():
            return event.text[:1].upper() + event.text[1:]
        case Overrun():
            return f"The computer was too slow at {event.at_s:.1f} s; the blow is asked for again"
        case _:
            return ""


def _finish(arguments: argparse.Namespace, unfinished: UnfinishedRun) -> None:
    """Close a run that was left behind, as it is."""
    from toneapp.audio.capture import ClosedRun, RunFolder

    folder = RunFolder.go_on(unfinished)
    begun = _Begun(
        folder=folder, plan=unfinished.plan, facts=dict(unfinished.facts), unfinished=unfinished
    )
    closed = ClosedRun(
        folder=folder,
        parts=tuple(path for path, _ in unfinished.parts),
        frames=unfinished.frames,
        blows=unfinished.blows,
        is_done=unfinished.key_plan().current is None,
        overruns=0,
        lost_frames=0,
        problems=unfinished.problems,
    )
    _keep(arguments, begun, closed)


def _keep(arguments: argparse.Namespace, begun: _Begun, closed: ClosedRun) -> None:
    """Make one file of the run and take it into the library, or lay it where it was asked for."""
    from toneapp.audio.capture import join_parts

    facts = begun.facts
    counted = [blow for blow in closed.blows if blow.is_counted]
    missing = sorted(set(begun.plan.keys()) - {blow.midi for blow in counted})
    data: dict[str, Any] = {
        "run": None,
        "file": facts.get("out"),
        "duration_s": closed.frames / begun.folder.sample_rate_hz,
        "blows": [_blow_json(blow) for blow in closed.blows],
        "missing": missing,
        "overruns": closed.overruns,
        "lost_frames": closed.lost_frames,
        "problems": list(closed.problems),
    }
    lines = [f"{len(counted)} blows on {len({blow.midi for blow in counted})} keys"]
    if missing:
        lines.append(f"Not played: {note_list_text(missing)}")
    lines += [problem[:1].upper() + problem[1:] for problem in closed.problems]
    out = facts.get("out")
    with progress_line("closing the recording") as progress:
        if out is not None:
            join_parts(closed.parts, Path(out), progress=progress)
            lines.append(f"The recording is {out}")
        else:
            flac = begun.folder.path / "run.flac"
            join_parts(closed.parts, flac, progress=progress)
            data["run"] = _take_in(arguments, begun, closed, flac)
            lines.append(f"Run {data['run']} is in the library")
    begun.folder.remove()
    if data["run"] is not None and counted and not arguments.later:
        _measure(arguments, int(data["run"]), begun.plan)
    answer(arguments, data, "\n".join(lines))


def _take_in(arguments: argparse.Namespace, begun: _Begun, closed: ClosedRun, flac: Path) -> int:
    """Take a closed recording into the library; returns the number of its run."""
    from toneapp.library import Purpose, Run

    facts = begun.facts
    with open_library(arguments) as library:
        if facts.get("again") is not None:
            run = library.runs.get(int(facts["again"]))
            take = library.runs.add_take(
                run, flac, replaces=False, note=str(facts["condition"]),
                recorded_at=begun.folder.made_at,
            )  # fmt: skip
        else:
            run = library.runs.add(
                Run(
                    instrument_id=int(facts["instrument"]),
                    condition=str(facts["condition"]),
                    purpose=Purpose(begun.plan.kind.value),
                    recorded_at=begun.folder.made_at,
                    place=str(facts["place"]),
                    microphone=str(facts["microphone"]),
                    notes="\n".join(closed.problems),
                ),
                flac,
            )
            take = library.runs.takes(run.id)[0]
        _tell_bad_blows(library, take.id, closed.blows)
    return run.id


def _tell_bad_blows(library: Library, take_id: int, blows: Sequence[Blow]) -> None:
    """Let the blows that were not good stay out of the result."""
    from toneapp.audio.capture import reason_text

    for blow in blows:
        if blow.is_counted:
            continue
        # What fell into it must not be taken for a blow of its own either.
        for at_s in (blow.onset_s, *blow.disturbed_at_s):
            library.strikes.discard(take_id, at_s, note=reason_text(blow))


def _measure(arguments: argparse.Namespace, run_id: int, plan: RunPlan) -> None:
    from toneapp.audio.capture import RunKind

    if plan.kind is RunKind.REPETITION:
        complain("a repetition run has its own figures: toneapp repetition FILE")
        return
    with open_library(arguments) as library, progress_line(f"measuring run {run_id}") as progress:
        library.measuring.measure(run_id, analyse_for_library(arguments.jobs), progress=progress)


def _blow_json(blow: Blow) -> dict[str, Any]:
    return {
        "midi": blow.midi,
        "note": note_name(blow.midi),
        "asked_midi": blow.ask.midi,
        "touch": blow.ask.touch.value,
        "onset_s": blow.onset_s,
        "hold_s": blow.hold_s,
        "cents": blow.cents,
        "level_db": blow.level_db,
        "is_counted": blow.is_counted,
        "reasons": [reason.value for reason in blow.reasons],
    }
