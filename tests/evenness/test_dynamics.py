import numpy as np
import pytest

from toneapp.evenness.dynamics import find_layers


def blows(rng, offsets, touch_sd, *, notes=88, in_order=1.0):
    x = np.arange(21.0, 21.0 + notes)
    course = -30 + 5 * np.sin(x / 20) + rng.normal(0, 1.5, notes)
    note, level, rank, layer = [], [], [], []
    for i in range(notes):
        order = np.arange(len(offsets))
        if rng.random() > in_order:
            rng.shuffle(order)
        for place, k in enumerate(order):
            note.append(i)
            rank.append(place)
            layer.append(k)
            level.append(course[i] + offsets[k] * (1 + 0.2 * i / notes) + rng.normal(0, touch_sd))
    return x, np.array(note), np.array(level), np.array(rank), np.array(layer)


def touch_scatter(found, note, level):
    adjusted = level - found.offset_db
    mean = np.bincount(note, adjusted) / np.bincount(note)
    return np.sqrt(np.sum((adjusted - mean[note]) ** 2) / found.within_df)


@pytest.mark.parametrize(
    ("offsets", "in_order"),
    [
        ((-8, 0, 8), 1.0),
        ((-8, 0, 8), 0.9),
        ((-8, 0, 8), 0.0),
        ((-4, 0, 4), 1.0),
        ((-5, 5), 0.0),
        ((-12, -6, 0, 3, 6, 12), 1.0),
    ],
)
def test_intended_dynamics_are_told_from_touch(offsets, in_order):
    rng = np.random.default_rng(len(offsets))
    x, note, level, rank, layer = blows(rng, offsets, 1.5, in_order=in_order)
    found = find_layers(note, x, level, rank)
    assert found.count == len(offsets)
    assert np.mean(found.layer == layer) > 0.95
    assert touch_scatter(found, note, level) == pytest.approx(1.5, rel=0.15)


@pytest.mark.parametrize("touch_sd", [0.3, 1.5, 4.0])
@pytest.mark.parametrize("count", [2, 3, 5])
def test_blows_meant_alike_are_one_layer(touch_sd, count):
    rng = np.random.default_rng(count)
    x, note, level, rank, _ = blows(rng, (0.0,) * count, touch_sd)
    found = find_layers(note, x, level, rank)
    assert found.count == 1
    assert not np.any(found.offset_db)
    assert touch_scatter(found, note, level) == pytest.approx(touch_sd, rel=0.15)


def test_one_blow_per_note_has_no_layers():
    x = np.arange(21.0, 109.0)
    found = find_layers(
        np.arange(88), x, np.random.default_rng(0).normal(0, 5, 88), np.zeros(88, int)
    )
    assert (found.count, found.within_df) == (1, 0.0)


def test_missing_blows_keep_their_layer():
    rng = np.random.default_rng(7)
    x, note, level, rank, layer = blows(rng, (-8, 0, 8), 1.2)
    keep = rng.random(note.size) > 0.15
    found = find_layers(note[keep], x, level[keep], rank[keep])
    assert found.count == 3
    assert np.mean(found.layer == layer[keep]) > 0.9
