"""The hand-over between the audio callback and its readers."""

from __future__ import annotations

import threading

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.audio.capture.ring import SampleRing


def _numbered(first: int, count: int, channels: int = 1) -> np.ndarray:
    """Frames that hold their own number."""
    return np.repeat(np.arange(first, first + count, dtype=np.float32)[:, None], channels, axis=1)


@given(
    steps=st.lists(st.tuples(st.integers(0, 60), st.integers(1, 80)), max_size=40),
    channels=st.integers(1, 3),
)
def test_a_reader_gets_every_frame_in_order_or_is_told_what_it_missed(steps, channels):
    ring = SampleRing(100, channels)
    reader = ring.reader()
    written = 0
    expected = 0
    for push, most in steps:
        ring.push(_numbered(written, push, channels))
        written += push
        taken = reader.take(most)
        if taken is None:
            assert expected == written
            continue
        assert taken.first == expected + taken.lost
        assert taken.samples[:, 0].tolist() == list(
            range(taken.first, taken.first + len(taken.samples))
        )
        assert np.all(taken.samples == taken.samples[:, :1])
        assert len(taken.samples) <= most
        expected = taken.first + len(taken.samples)
    assert reader.waiting == written - expected


def test_a_reader_that_was_overtaken_loses_the_oldest_and_counts_them():
    ring = SampleRing(160, 1)
    reader = ring.reader()
    for first in range(0, 400, 40):
        ring.push(_numbered(first, 40))
    taken = reader.take(1000)
    assert taken.lost == taken.first
    assert taken.samples[-1, 0] == 399
    assert taken.lost + len(taken.samples) == 400
    assert reader.lost == taken.lost


def test_readers_are_independent_of_one_another():
    ring = SampleRing(100, 1)
    quick, slow = ring.reader(), ring.reader()
    ring.push(_numbered(0, 30))
    assert len(quick.take(100).samples) == 30
    ring.push(_numbered(30, 30))
    assert quick.take(100).first == 30
    assert ring.behind == 60
    assert len(slow.take(100).samples) == 60
    assert ring.behind == 0


def test_sound_is_never_joined_across_a_gap():
    ring = SampleRing(100, 1)
    reader = ring.reader()
    ring.push(_numbered(0, 10))
    ring.mark_gap()
    ring.push(_numbered(10, 10))
    ring.push(_numbered(20, 10), has_lost=True)
    first, second, third = (reader.take(100) for _ in range(3))
    assert [len(item.samples) for item in (first, second, third)] == [10, 10, 10]
    assert [mark.kind for mark in first.marks] == []
    assert [mark.kind for mark in second.marks] == ["gap"]
    assert [mark.kind for mark in third.marks] == ["overflow"]
    assert ring.overflows == 1


def test_a_block_that_wraps_around_comes_back_whole():
    ring = SampleRing(64, 2)
    reader = ring.reader()
    for first in range(0, 640, 40):
        ring.push(_numbered(first, 40, 2))
        assert reader.take(64).samples[:, 0].tolist() == list(range(first, first + 40))


def test_nothing_is_torn_while_another_thread_writes():
    ring = SampleRing(4096, 1)
    reader = ring.reader()
    total = 400_000

    def write() -> None:
        for first in range(0, total, 64):
            ring.push(_numbered(first, 64))

    thread = threading.Thread(target=write)
    thread.start()
    seen = 0
    while seen < total:
        taken = reader.take(512)
        if taken is None:
            continue
        assert taken.first == seen + taken.lost
        assert np.array_equal(
            taken.samples[:, 0],
            np.arange(taken.first, taken.first + len(taken.samples), dtype=np.float32),
        )
        seen = taken.first + len(taken.samples)
    thread.join()


def test_a_ring_without_room_is_refused():
    with pytest.raises(ValueError, match="at least one sample"):
        SampleRing(0, 1)
