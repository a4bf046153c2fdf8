"""Work goes on elsewhere; its answers, errors and progress arrive here."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
from pytestqt.qtbot import QtBot

from toneapp.desktop.workers import Lane, Progress, Tasks
from toneapp.errors import InputError


@pytest.fixture
def tasks(qtbot: QtBot) -> Iterator[Tasks]:  # noqa: ARG001 -- it brings the application
    made = Tasks()
    yield made
    made.close()


def test_the_answer_arrives_in_the_asking_thread(qtbot: QtBot, tasks: Tasks) -> None:
    found: list[tuple[object, object]] = []

    def work(_progress: Progress) -> object:
        return threading.current_thread()

    tasks.start(work, on_done=lambda thread: found.append((thread, threading.current_thread())))
    qtbot.waitUntil(lambda: bool(found))
    at_work, here = found[0]
    assert here is threading.main_thread()
    assert at_work is not here


def test_an_error_for_the_user_arrives_as_its_sentence(qtbot: QtBot, tasks: Tasks) -> None:
    said: list[str] = []

    def work(_progress: Progress) -> None:
        raise InputError("that cannot be; try again")

    tasks.start(work, on_failed=said.append)
    qtbot.waitUntil(lambda: said == ["that cannot be; try again"])


def test_a_fault_of_the_program_is_told_and_logged(
    qtbot: QtBot, tasks: Tasks, caplog: pytest.LogCaptureFixture
) -> None:
    def work(_progress: Progress) -> None:
        raise RuntimeError("broken")

    with qtbot.waitSignal(tasks.failed) as told:
        tasks.start(work)
    assert "a fault in the program itself: RuntimeError: broken" in told.args[0]
    assert "Traceback" in caplog.text


def test_a_stop_ends_long_work_at_its_next_step(qtbot: QtBot, tasks: Tasks) -> None:
    begun, go_on = threading.Event(), threading.Event()
    ended: list[str] = []

    def work(progress: Progress) -> None:
        begun.set()
        go_on.wait(10)
        progress(0.5)
        ended.append("not stopped")

    task = tasks.start(work, on_done=lambda _r: ended.append("done"), lane=Lane.LONG, label="long")
    qtbot.waitUntil(begun.is_set)
    assert [item.label for item in tasks.long_tasks] == ["long"]
    with qtbot.waitSignal(task.cancelled):
        task.cancel()
        go_on.set()
    qtbot.waitUntil(lambda: tasks.is_idle)
    assert ended == []


def test_progress_arrives(qtbot: QtBot, tasks: Tasks) -> None:
    shares: list[float] = []

    def work(progress: Progress) -> None:
        for step in range(5):
            progress(step / 4)

    task = tasks.start(work, lane=Lane.LONG)
    task.progressed.connect(shares.append)
    qtbot.waitUntil(lambda: tasks.is_idle)
    assert shares == [0.25, 0.5, 0.75, 1.0]


def test_a_later_question_of_the_same_kind_overtakes_the_earlier(
    qtbot: QtBot, tasks: Tasks
) -> None:
    first_may_end = threading.Event()
    answers: list[int] = []

    def slow(_progress: Progress) -> int:
        first_may_end.wait(10)
        return 1

    tasks.start(slow, on_done=answers.append, key="run")
    tasks.start(lambda _progress: 2, on_done=answers.append, key="run")
    qtbot.waitUntil(lambda: answers == [2])
    first_may_end.set()
    qtbot.waitUntil(lambda: tasks.is_idle)
    assert answers == [2]


def test_edits_are_made_in_their_order(qtbot: QtBot, tasks: Tasks) -> None:
    done: list[int] = []
    for number in range(20):
        tasks.start(lambda _progress, number=number: done.append(number), lane=Lane.EDITS)
    qtbot.waitUntil(lambda: tasks.is_idle)
    assert done == list(range(20))


def test_closing_stops_and_waits_for_what_is_being_done(qtbot: QtBot) -> None:
    tasks = Tasks()
    begun, ended = threading.Event(), threading.Event()

    def work(progress: Progress) -> None:
        begun.set()
        try:
            while True:
                progress(0.1)
        finally:
            ended.set()

    tasks.start(work)
    qtbot.waitUntil(begun.is_set)
    tasks.close()
    assert ended.is_set()
    assert tasks.is_idle


def test_many_tasks_come_and_go(qtbot: QtBot, tasks: Tasks) -> None:
    answers: list[int] = []
    for number in range(500):
        tasks.start(
            lambda progress, number=number: progress(0.5) or number, on_done=answers.append
        )
    qtbot.waitUntil(lambda: tasks.is_idle)
    assert sorted(answers) == list(range(500))
