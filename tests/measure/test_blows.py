"""Which candidates are blows: evidence made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from toneapp.keyboard import FULL_COMPASS
from toneapp.measure.blows import is_plain_but_no_louder, no_thump, stands_alone
from toneapp.measure.evidence import PITCH_GRID, StrikeEvidence
from toneapp.measure.labelling import label_run


def _evidence(
    pitch: float,
    *,
    height: float = 0.6,
    rise_db: float = 20.0,
    steadiness: float = 0.95,
    peaks: int = 60,
    new: int = 0,
) -> StrikeEvidence:
    support = np.maximum(
        -0.3, height * np.exp(-0.5 * ((PITCH_GRID - pitch) / 0.12) ** 2) - 0.3 * (height < 0.1)
    )
    return StrikeEvidence(
        support=support, peak_count=peaks, loudest_db=45.0, rise_db=rise_db, steadiness=steadiness,
        new_count=new,
    )  # fmt: skip


def test_a_blow_that_adds_no_level_is_named_all_the_same() -> None:
    # The note before was let go 60 ms ago and was as loud.
    levels = (20.0, 8.0, -0.5, 9.0, 0.4, 12.0)
    evidence = [_evidence(60.0 + 3 * i, rise_db=level) for i, level in enumerate(levels)]
    run = label_run(
        evidence,
        [0.56 * i for i in range(len(levels))],
        compass=FULL_COMPASS,
        rises_db=[500.0, 260.0, 160.0, 240.0, 180.0, 260.0],
    )
    assert [label.midi for label in run.labels] == [60, 63, 66, 69, 72, 75]


@pytest.mark.parametrize(
    ("doubt", "share"),
    [
        ({}, 0.05),  # a beat: clear evidence, but hardly a rise in any band
        ({"steadiness": 0.6}, 0.5),  # a voice
        ({"peaks": 4}, 0.5),  # a thump
        ({"height": 0.2}, 0.5),
    ],
)
def test_what_adds_no_level_must_be_beyond_doubt(doubt: dict[str, float], share: float) -> None:
    evidence = [_evidence(60.0 + i) for i in range(4)]
    evidence.append(_evidence(64.0, rise_db=-1.0, **doubt))  # type: ignore[arg-type]
    usable = np.array([True] * 4 + [False])
    rises = [300.0] * 4 + [300.0 * share]
    assert not is_plain_but_no_louder(evidence, rises, usable)[4]
    plain = [*evidence[:4], _evidence(64.0, rise_db=-1.0)]
    assert is_plain_but_no_louder(plain, [300.0] * 4 + [150.0], usable)[4]


@pytest.mark.parametrize(
    ("doubt", "share", "is_blow"),
    [
        ({}, 0.15, True),  # a bass note under a louder one that sounds on
        ({"new": 25}, 0.15, False),  # beats
        ({"rise_db": -7.0}, 0.15, False),  # the release of a note in a room without noise
        ({"pitch": 100.0}, 0.15, False),  # its noise, read as a string that has no such lines
        ({"height": 0.05}, 0.15, False),  # lines of no key
        ({"steadiness": 0.4}, 0.15, False),  # a voice
        ({}, 0.05, False),  # a beat
    ],
)
def test_a_bass_note_is_told_by_lines_that_were_not_there(
    doubt: dict[str, float], share: float, is_blow: bool
) -> None:
    how = {"pitch": 34.0, "rise_db": -1.0, "height": 0.25, "steadiness": 0.8, "new": 90} | doubt
    evidence = [*(_evidence(30.0 + i) for i in range(4)), _evidence(**how)]  # type: ignore[arg-type]
    usable = np.array([True] * 4 + [False])
    rises = [300.0] * 4 + [300.0 * share]
    assert is_plain_but_no_louder(evidence, rises, usable)[4] == is_blow


def test_the_release_of_a_key_is_no_blow_on_it() -> None:
    midis = np.array([60, 60, 60, 64, 62])
    rises = np.array([400.0, 30.0, 150.0, 300.0, 20.0])
    own = np.zeros(5, dtype=np.int64)
    # 150 is a soft blow; the last is on another key and is judged by its evidence alone.
    assert no_thump(midis, rises, own).tolist() == [True, False, True, True, True]
    assert no_thump(midis, rises, np.array([0, 1, 2, 3, 4])).all()


def test_a_noise_in_a_recording_of_one_note_is_no_other_note() -> None:
    midis = np.array([42, 107, 42, 42, 78, 94])
    rises = np.array([250.0, 110.0, 120.0, 20.0, 300.0, 19.0])
    sources = np.array([0, 0, 0, 0, 1, 1])
    support = np.array([0.7, 0.0, 0.05, 0.05, 0.06, 0.2])
    # The weakest note of its own recording stands; so does a softer blow on the same key.
    expected = [True, False, True, False, True, False]
    assert stands_alone(midis, rises, sources, support).tolist() == expected
