"""Work shared among processes."""

from __future__ import annotations

import operator
import os

import pytest

from toneapp.analysis.workers import Crew
from toneapp.errors import Cancelled, ToneappError


def _end_at_once(_: int) -> int:
    os._exit(3)


@pytest.mark.parametrize("jobs", [1, 2])
def test_answers_come_in_the_order_of_the_tasks(jobs: int) -> None:
    shares: list[float] = []
    with Crew(jobs) as crew:
        assert crew.do(operator.neg, list(range(20)), report=shares.append) == [
            -i for i in range(20)
        ]
        assert crew.do(operator.neg, [], report=shares.append) == []
    assert shares[-1] == 1.0
    assert shares == sorted(shares)


@pytest.mark.parametrize("jobs", [1, 2])
def test_an_error_of_a_task_comes_through(jobs: int) -> None:
    with Crew(jobs) as crew, pytest.raises(ZeroDivisionError):
        crew.do(_divide, [2, 1, 0], report=lambda _: None)


def _divide(by: int) -> float:
    return 1.0 / by


@pytest.mark.parametrize("jobs", [1, 2])
def test_the_user_can_stop_the_work(jobs: int) -> None:
    def stop(_: float) -> None:
        raise Cancelled("stopped")

    with Crew(jobs) as crew, pytest.raises(Cancelled, match="stopped"):
        crew.do(operator.neg, list(range(50)), report=stop)


def test_a_worker_that_dies_is_one_clear_sentence() -> None:
    with Crew(2) as crew, pytest.raises(ToneappError, match="ended from outside"):
        crew.do(_end_at_once, [1, 2, 3], report=lambda _: None)
