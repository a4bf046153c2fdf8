"""Labels by hand are understood, or the line that is not is named."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.cli.label_file import parse_labels, read_labels
from toneapp.errors import InputError


@pytest.mark.parametrize(
    "text",
    [
        "onset_s,note\n0.5,A0\n2.25,D#4\n3,-\n",
        "onset_s,midi\n0.5,21\n2.25,63\n3,\n",
        "note;onset_s\nA0;0,5\nEb4;2,25\n;3\n",  # semicolons, as where the comma is decimal
        "midi\tnote\tonset (s)\n1\tA0\t0.5\n1\tE♭4\t2.25\n1\t–\t3\n",
        "\ufeffonset_s,note\r\n3,\r\n2.25, d#4 \r\n\r\n0.5,a0\r\n",  # not in order, blank line
    ],
)
def test_forms_of_a_table(tmp_path: Path, text: str) -> None:
    path = tmp_path / "labels.csv"
    path.write_text(text, encoding="utf-8")
    labels = read_labels(path)
    assert [(label.onset_s, label.midi) for label in labels] == [
        (0.5, 21),
        (2.25, 63),
        (3.0, None),
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "first line must name the columns"),
        ("time,key\n1,A0\n", "first line must name the columns"),
        ("onset_s,note\n", "holds no label"),
        ("onset_s,note\n1,A0\n2,H4\n", "line 3: 'H4' is not a note name"),
        ("onset_s,note\n1,A0\nsoon,A4\n", "line 3: 'soon' is not a time"),
        ("onset_s,note\n-1,A0\n", "line 2: '-1' is not a time"),
        ("onset_s,note\nnan,A0\n", "line 2: 'nan' is not a time"),
        ("onset_s,note\ninf,A0\n", "line 2: 'inf' is not a time"),
        ("onset_s,midi\n1,69.5\n", "line 2: '69.5' is not a MIDI number"),
        ("onset_s,midi\n1,400\n", "line 2: '400' is no key of a piano"),
        ("onset_s,note\n1\n", "line 2: a cell is missing"),
        ('onset_s,note\n1,"A0\n', "line 2"),
    ],
)
def test_what_is_not_understood_is_named(text: str, said: str) -> None:
    with pytest.raises(InputError, match=said) as caught:
        parse_labels(text, name="labels.csv")
    assert "\n" not in str(caught.value)
    assert "labels.csv" in str(caught.value)


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda path: None, "cannot be read"),  # noqa: ARG005
        (lambda path: path.mkdir(), "cannot be read"),
        (lambda path: path.write_bytes(b"\xff\xfe\x00onset"), "not text in UTF-8"),
    ],
)
def test_a_file_that_cannot_be_read_is_said(tmp_path: Path, make, said: str) -> None:
    make(tmp_path / "labels.csv")
    with pytest.raises(InputError, match=said):
        read_labels(tmp_path / "labels.csv")


@given(st.text() | st.text().map(lambda text: "onset_s,note\n" + text))
def test_any_text_gives_labels_or_one_line(text: str) -> None:
    try:
        outcome: object = parse_labels(text, name="labels.csv")
    except InputError as error:
        outcome = str(error).replace("\n", "")
    assert outcome


def test_bounds_are_read_where_they_are_given() -> None:
    text = "onset_s;note;release_s;exact_onset_s\n0,61;A0;2,5;0,65\n3,0;A#0;;\n5;-;6;\n"
    first, second, third = parse_labels(text, name="labels.csv")
    assert (first.onset_s, first.exact_onset_s, first.release_s) == (0.61, 0.65, 2.5)
    assert (second.exact_onset_s, second.release_s) == (None, None)
    assert (third.midi, third.release_s) == (None, None)  # what is no strike has no release


def test_a_release_before_the_onset_is_told() -> None:
    with pytest.raises(InputError, match=r"line 2: the release at 0\.5 s is not after the onset"):
        parse_labels("onset_s,note,release_s\n0.61,A0,0.5\n", name="labels.csv")
