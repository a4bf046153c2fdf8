"""Worksheets, templates, hand measurements and worklists."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented import Measures, check_sentence, invent_run, invent_strikes, join, leaking

from toneapp.errors import InputError
from toneapp.keyboard import KeyboardLayout
from toneapp.library import (
    Instrument,
    InstrumentKind,
    ItemState,
    KeyMeasurement,
    Library,
    LibraryConflict,
    Purpose,
    Run,
    WorksheetItem,
    hand_csv,
    hand_text,
    list_work,
    parse_hand_table,
    template_text,
    worklist_text,
    worksheet_text,
)
from toneapp.library.templates import parse_templates
from toneapp.results import Cause, Raised, RunResult


def test_the_templates_cover_both_kinds_in_order_of_the_trade(library: Library) -> None:
    templates = library.templates()
    assert {kind for template in templates.values() for kind in template.kinds} == set(
        InstrumentKind
    )
    for name in ("upright", "grand"):
        areas = [item.area for item in templates[name].items]
        assert len(areas) >= 25
        # Each area stands together, so that the printed sheet is walked once.
        assert len(set(areas)) == sum(
            a != b for a, b in zip([None, *areas[:-1]], areas, strict=True)
        )
    assert any("spoons" in i.action for i in templates["upright"].items)
    assert any("Repetition springs" in i.finding for i in templates["grand"].items)


def test_a_template_of_one_s_own_takes_the_place_of_the_package_s(library: Library) -> None:
    folder = library.folder / "templates"
    folder.mkdir()
    (folder / "mine.toml").write_text(
        '[quick]\ntitle = "Mine"\nkinds = ["grand"]\nitems = [["Case", "Smell?", ""]]\n'
    )
    assert library.templates()["quick"].title == "Mine"
    assert "upright" in library.templates()
    (folder / "bad.toml").write_text("[x]\ntitle = 3\n")
    with pytest.raises(InputError, match=r"bad\.toml"):
        library.templates()


@given(st.text(max_size=60))
def test_any_text_is_a_template_or_a_clear_error(text: str) -> None:
    try:
        parse_templates(text, "x")
    except InputError as exc:
        check_sentence(exc, "x")


def test_a_worksheet_is_begun_filled_and_ticked_off(library: Library, piano: Instrument) -> None:
    template = library.templates()["upright"]
    added = library.worksheets.begin(piano.id, template)
    assert len(added) == len(template.items)
    assert library.worksheets.begin(piano.id, template) == ()
    own = library.worksheets.add(
        WorksheetItem(instrument_id=piano.id, area="Keys", finding="chipped", midi=60, minutes=5)
    )
    done = library.worksheets.tick(own, minutes=25)
    assert (done.state, done.minutes) == (ItemState.DONE, 25)
    assert done.done_at is not None
    with pytest.raises(LibraryConflict):
        library.worksheets.tick(own)
    text = worksheet_text(piano, library.worksheets.items(piano.id))
    assert "[x]" in text
    assert "C4: chipped" in text
    assert f"{len(added)} open, 1 done; 25 minutes noted" in text
    assert max(map(len, text.splitlines())) <= 79
    library.worksheets.tick(done, is_done=False)
    library.worksheets.remove(library.worksheets.get(own.id))
    assert len(library.worksheets.items(piano.id)) == len(added)
    library.bin.restore("item", own.id)
    assert len(library.worksheets.items(piano.id)) == len(added) + 1
    with pytest.raises(InputError, match="needs an area"):
        library.worksheets.add(WorksheetItem(instrument_id=piano.id, area=" "))


def faulty_run() -> tuple[Run, object]:
    strikes = invent_strikes(np.random.default_rng(3), bright={60: 0.6, 66: -0.6})
    strikes = [
        leaking(s, 50, Cause.OWN_DAMPER) if s.midi == 50
        else leaking(s, 53, Cause.OTHER_DAMPER) if s.midi == 65
        else leaking(s, 96, Cause.UNDAMPED) if s.midi == 72 else s
        for s in strikes
    ]  # fmt: skip
    return join(strikes, layout=KeyboardLayout())


def test_the_worklist_names_reason_size_uncertainty_advice_and_cautions() -> None:
    result = faulty_run()
    worklist = list_work(result)
    found = {(entry.midi, entry.subject): entry for entry in worklist.entries}
    assert set(found) == {
        (60, Raised.BRIGHT), (66, Raised.DULL), (50, Cause.OWN_DAMPER), (53, Cause.OTHER_DAMPER),
    }  # fmt: skip
    bright = found[60, "bright"]
    note = next(n for n in result.notes if n.midi == 60)
    assert (bright.size, bright.size_se) == (note.brightness_residual, note.brightness_se)
    assert "±" in bright.reason
    assert any("needle" in text for text in bright.cautions)
    assert bright.reversible
    assert bright.irreversible
    other = found[53, "other_damper"]
    assert other.keys == (65,)
    assert "heard from F4" in other.reason
    ring_on = list_work(result, purpose=Purpose.RING_ON)
    assert (96, Cause.UNDAMPED) in {(e.midi, e.subject) for e in ring_on.entries}
    text = worklist_text(ring_on)
    assert max(map(len, text.splitlines())) <= 79
    assert "qualified piano technician" in " ".join(text.split())
    assert worklist_text(list_work(invent_run(np.random.default_rng(4)))).startswith(
        "Worklist: nothing"
    )


def leaking_both_ways() -> RunResult:
    """One damper that leaks, heard from its own key and from two others."""
    strikes = [
        leaking(s, 50, Cause.OWN_DAMPER) if s.midi == 50
        else leaking(s, 50, Cause.OTHER_DAMPER) if s.midi in (62, 65) else s
        for s in invent_strikes(np.random.default_rng(3))
    ]  # fmt: skip
    return join(strikes, layout=KeyboardLayout())


def test_one_leak_is_one_finding_with_both_reasons() -> None:
    entries = list_work(leaking_both_ways()).entries
    assert [(entry.midi, entry.subject) for entry in entries] == [(50, "own_damper")]
    assert "its own damper leaks" in entries[0].reason
    assert "also rings at" in entries[0].reason
    assert "from D4, F4" in entries[0].reason
    assert entries[0].keys == (50, 62, 65)
    assert "own damper" in worklist_text(list_work(leaking_both_ways()))
    assert "_" not in worklist_text(list_work(leaking_both_ways()))


def test_a_reason_names_a_few_notes_and_counts_the_rest() -> None:
    keys = range(40, 72, 3)
    strikes = [
        leaking(s, 50, Cause.OTHER_DAMPER) if s.midi in keys else s
        for s in invent_strikes(np.random.default_rng(3))
    ]
    (entry,) = list_work(join(strikes, layout=KeyboardLayout())).entries
    heard = [s.midi for s in strikes if s.ringing]
    assert entry.keys == tuple(sorted(set(heard)))
    named = entry.reason.partition("heard from ")[2]
    assert named.endswith(f"and {len(entry.keys) - 6} more")
    assert named.count(",") == 5


def test_a_tick_on_either_half_of_a_leak_counts_and_is_taken_away(
    library: Library, run: Run
) -> None:
    library.measuring.measure(run.id, Measures(leaking_both_ways()))
    library.worklists.tick(run.id, 50, "other damper", note="felt raised")
    entry = library.worklist(run.id).entries[0]
    assert (entry.subject, entry.is_done, entry.done_note) == ("own_damper", True, "felt raised")
    library.worklists.tick(run.id, 50, "own_damper", is_done=False)
    assert not library.worklist(run.id).entries[0].is_done


def test_what_stands_on_the_worksheet_is_not_raised_again(library: Library, run: Run) -> None:
    library.measuring.measure(run.id, Measures(leaking_both_ways()))
    item = library.worksheets.add(
        WorksheetItem(
            instrument_id=run.instrument_id, area="Dampers", midi=50, raised_run_uid=run.uid
        )
    )
    added = library.raise_items(run.id)  # that item was not raised by a run
    assert [(one.midi, one.raised_as, one.area) for one in added] == [
        (50, "own_damper", "Dampers")
    ]
    assert library.raise_items(run.id) == ()
    library.worksheets.tick(added[0])
    assert [one.midi for one in library.raise_items(run.id)] == [50]  # it leaks again
    assert library.worksheets.get(item.id) == item


def test_work_that_belongs_to_no_key_is_raised_once(library: Library, run: Run) -> None:
    strikes = [
        replace(
            leaking(s, 50, Cause.NO_KEY),
            ringing=(replace(leaking(s, 50, Cause.NO_KEY).ringing[0], midi=None, partial=None),),
        )
        if s.midi == 60 else s
        for s in invent_strikes(np.random.default_rng(3))
    ]  # fmt: skip
    ring_on = library.runs.change(replace(run, purpose=Purpose.RING_ON))
    library.measuring.measure(ring_on.id, Measures(join(strikes, layout=KeyboardLayout())))
    added = library.raise_items(ring_on.id)
    assert [(item.midi, item.raised_as) for item in added] == [(None, "no_key")]
    assert library.raise_items(ring_on.id) == ()


def test_work_is_ticked_and_raised_to_the_worksheet_once(library: Library, run: Run) -> None:
    library.measuring.measure(run.id, Measures(faulty_run()))
    library.worklists.tick(run.id, 60, "bright", note="filed")
    entry = next(e for e in library.worklist(run.id).entries if e.midi == 60)
    assert (entry.is_done, entry.done_note) == (True, "filed")
    items = library.raise_items(run.id)
    assert {(item.midi, item.raised_as) for item in items} == {
        (66, "dull"), (50, "own_damper"), (53, "other_damper"),
    }  # fmt: skip
    assert all(item.raised_run_uid == run.uid for item in items)
    dull = next(item for item in items if item.raised_as == "dull")
    assert dull.finding.startswith("Too dull: brightness \N{MINUS SIGN}0.")
    assert dull.finding.endswith("octaves from the trend")
    assert library.raise_items(run.id) == ()
    library.worklists.tick(run.id, 60, "bright", is_done=False)
    assert [item.midi for item in library.raise_items(run.id)] == [60]
    with pytest.raises(InputError, match="not a finding"):
        library.worklists.tick(run.id, 60, "shiny")
    with pytest.raises(InputError, match="no run 99"):
        library.worklists.tick(99, 60, "bright")


def test_friction_and_balance_weight_follow_from_down_and_up() -> None:
    key = KeyMeasurement(midi=60, down_weight_g=52.0, up_weight_g=24.0)
    assert (key.friction_g, key.balance_weight_g) == (14.0, 38.0)
    assert KeyMeasurement(midi=60, down_weight_g=52.0).friction_g is None


def test_weights_are_entered_by_table_and_one_by_one(library: Library, piano: Instrument) -> None:
    keys = parse_hand_table("note;down weight (g);up weight (g);dip\nA0;52,5;24;10,1\nC4;50;;\n")
    assert keys == (
        KeyMeasurement(midi=21, down_weight_g=52.5, up_weight_g=24.0, key_dip_mm=10.1),
        KeyMeasurement(midi=60, down_weight_g=50.0),
    )
    made = library.weights.add(piano.id, keys, title="before", measured_at="2024-05-01")
    again = library.weights.put(
        made.id, [KeyMeasurement(midi=60, down_weight_g=49.0, up_weight_g=25.0)]
    )
    assert [key.down_weight_g for key in again.keys] == [52.5, 49.0]
    assert parse_hand_table(hand_csv(again).decode()) == again.keys
    assert "12.0 g" in hand_text(again)
    library.history.undo()
    assert library.weights.get(made.id).keys == keys
    library.weights.remove(again)
    assert library.weights.of_instrument(piano.id) == ()


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("", "is empty"),
        ("key,down\nA0,3\n", "header line"),
        ("note,down\nH9,3\n", "line 2"),
        ("note,down\nA0,heavy\n", "line 2.*not a number"),
        ("note,down\nA0,900\n", "line 2.*cannot be"),
        ("note,down,up\nA0,20,50\n", "exchanged"),
        ("note,down\nA0,50\nA0,51\n", "line 3.*again"),
        ("note,down\nA0,nan\n", "not a number"),
    ],
)
def test_tables_of_weights_that_cannot_be_name_the_line(table: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        parse_hand_table(table)


@given(st.text(max_size=80))
def test_any_text_is_a_table_of_weights_or_a_clear_error(text: str) -> None:
    try:
        parse_hand_table(text)
    except InputError as exc:
        check_sentence(exc, "weights")


weights = st.none() | st.floats(30, 90).map(lambda x: round(x, 1))


@given(st.dictionaries(st.integers(21, 108), st.tuples(weights, weights), max_size=20))
def test_weights_round_trip_as_a_table(
    values: dict[int, tuple[float | None, float | None]],
) -> None:
    from toneapp.library import HandSet

    keys = tuple(
        KeyMeasurement(
            midi=midi,
            down_weight_g=None if down is None else down + 60.0 if up is not None else down,
            up_weight_g=up,
        )
        for midi, (down, up) in sorted(values.items())
    )
    made = HandSet(id=1, uid="", instrument_id=1, title="", measured_at="", note="",
                   deleted_at=None, version=1, keys=keys)  # fmt: skip
    text = hand_csv(made).decode()
    again = parse_hand_table(text)
    for first, second in zip(keys, again, strict=True):
        assert first.midi == second.midi
        for name in ("down_weight_g", "up_weight_g"):
            a, b = getattr(first, name), getattr(second, name)
            assert (a is None) == (b is None)
            assert a is None or abs(a - b) < 1e-3


def test_the_template_file_can_be_copied_and_read_again() -> None:
    assert parse_templates(template_text(), "copy").keys() == {"upright", "grand", "quick"}
