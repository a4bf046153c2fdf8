"""``toneapp record``: record a run at the piano, key by key.

The same engine as in the window; this module turns words into its plan and its events into lines.

Functions: `add_command`.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from toneapp.cli.library_words import (
    answer,
    json_parent,
    library_parent,
    note_word,
    open_library,
)
from toneapp.cli.record_lines import KEYS_LINE, lead
from toneapp.cli.single_keys import SingleKeys
from toneapp.cli.streams import complain, progress_line, say, status_line
from toneapp.errors import Cancelled, InputError
from toneapp.keyboard import FULL_COMPASS, Compass
from toneapp.measured_library import analyse_with
from toneapp.pitch import note_name
from toneapp.wording import note_list_text

if TYPE_CHECKING:
    from toneapp.audio.capture import (
        Blow,
        ClosedRun,
        RunFolder,
        RunPlan,
        SoundSource,
        UnfinishedRun,
    )
    from toneapp.library.recorded import RecordedFacts

__all__ = ["add_command"]


def add_command(commands: Any, *, parents: list[argparse.ArgumentParser]) -> None:
    """Add the command and its words to the parser."""
    parser = commands.add_parser(
        "record",
        parents=[*parents, library_parent(), json_parent()],
        help="record a run at the piano, key by key",
        description="Lead through a run key by key, check every blow, and keep everything. "
        f"Keys while recording: {KEYS_LINE}. What was recorded is kept even if the program ends.",
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
    facts: RecordedFacts
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
    from toneapp.library.place import recordings_folder

    return recordings_folder(Path(arguments.library) if arguments.library else default_folder())


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
    from toneapp.library.recorded import RecordedFacts

    if unfinished is not None:
        return _Begun(
            folder=RunFolder.go_on(unfinished),
            plan=unfinished.plan,
            facts=RecordedFacts.from_json(unfinished.facts),
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
        facts=facts.to_json(),
        sample_rate_hz=source.sample_rate_hz,
        channels=source.channels,
    )
    return _Begun(folder=folder, plan=plan, facts=facts, unfinished=None)


def _plan_and_facts(arguments: argparse.Namespace) -> tuple[RunPlan, RecordedFacts]:
    from toneapp.audio.capture import THREE_TOUCHES, RunKind, RunPlan, Touch
    from toneapp.library.recorded import RecordedFacts, last_detune_semitones

    compass = _compass(arguments.compass) or FULL_COMPASS
    purpose = arguments.purpose
    notes = _notes(arguments.notes)
    facts = RecordedFacts(
        out=None if arguments.out is None else str(Path(arguments.out).absolute()),
        again=arguments.again,
        condition=arguments.condition,
        place=arguments.place,
        microphone=arguments.microphone,
    )
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
            facts = replace(
                facts,
                instrument=instrument.id,
                last_damper_midi=instrument.last_damper_midi,
                a4_hz=instrument.a4_hz,
                detune_semitones=last_detune_semitones(library, instrument.id),
            )
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
            instrument=begun.facts.for_judgement(),
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
                say_line(KEYS_LINE)
            lead(engine, keys, show, say_line)
    except KeyboardInterrupt:
        closed = engine.close()
        if not closed.frames:
            begun.folder.remove()
            raise
        raise Cancelled("stopped; go on with: toneapp record --resume") from None
    finally:
        engine.close()
    return engine.close()


def _finish(arguments: argparse.Namespace, unfinished: UnfinishedRun) -> None:
    """Close a run that was left behind, as it is."""
    from toneapp.audio.capture import close_unfinished
    from toneapp.library.recorded import RecordedFacts

    closed = close_unfinished(unfinished)
    begun = _Begun(
        folder=closed.folder,
        plan=unfinished.plan,
        facts=RecordedFacts.from_json(unfinished.facts),
        unfinished=unfinished,
    )
    _keep(arguments, begun, closed)


def _keep(arguments: argparse.Namespace, begun: _Begun, closed: ClosedRun) -> None:
    """Make one file of the run and take it into the library, or lay it where it was asked for."""
    from toneapp.audio.capture import join_parts
    from toneapp.library.recorded import take_in

    facts, counted, missing = begun.facts, closed.counted, closed.missing
    data: dict[str, Any] = {
        "run": None,
        "file": facts.out,
        "duration_s": closed.frames / begun.folder.sample_rate_hz,
        "blows": [_blow_json(blow) for blow in closed.blows],
        "missing": list(missing),
        "overruns": closed.overruns,
        "lost_frames": closed.lost_frames,
        "problems": list(closed.problems),
    }
    lines = [f"{len(counted)} blows on {len({blow.midi for blow in counted})} keys"]
    if missing:
        lines.append(f"Not played: {note_list_text(missing)}")
    lines += [problem[:1].upper() + problem[1:] for problem in closed.problems]
    with progress_line("closing the recording") as progress:
        if facts.out is not None:
            join_parts(closed.parts, Path(facts.out), progress=progress)
            lines.append(f"The recording is {facts.out}")
        else:
            with open_library(arguments) as library:
                data["run"] = take_in(library, closed, facts, progress=progress).id
            lines.append(f"Run {data['run']} is in the library")
    begun.folder.remove()
    if data["run"] is not None and counted and not arguments.later:
        _measure(arguments, int(data["run"]), begun.plan)
    answer(arguments, data, "\n".join(lines))


def _measure(arguments: argparse.Namespace, run_id: int, plan: RunPlan) -> None:
    from toneapp.audio.capture import RunKind

    if plan.kind is RunKind.REPETITION:
        complain("a repetition run has its own figures: toneapp repetition FILE")
        return
    with open_library(arguments) as library, progress_line(f"measuring run {run_id}") as progress:
        library.measuring.measure(run_id, analyse_with(arguments.jobs), progress=progress)


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
