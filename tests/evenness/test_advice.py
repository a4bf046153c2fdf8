import dataclasses
import re
import tomllib
from importlib import resources

import pytest

from toneapp.evenness import load_advice, parse_advice
from toneapp.results import Cause, Raised

TEXT = resources.files("toneapp.evenness").joinpath("advice.toml").read_text("utf-8")
BOOK = load_advice()
ALL = {
    **{f"raised.{kind}": advice for kind, advice in BOOK.raised.items()},
    **{f"cause.{kind}": advice for kind, advice in BOOK.cause.items()},
    "key.sluggish": BOOK.sluggish_key,
}

# Work that names one of these needs the caution.
DANGERS = {
    "needles": r"needle",
    "dust": r"abrasive|shape the hammer|shape a|pile of (the|its) felt|\btrim\b",
    "string_tension": r"seat(ing)? (of )?the strings|seat the strings|unison|twist|pluck",
    "chemicals": r"hardener|lubricant",
    "heat": r"\biron\b",
    "loose_action": r"let-off|hammer to its strings|knuckle|flange",
}


def test_every_way_of_being_raised_and_every_cause_has_advice():
    assert set(BOOK.raised) == set(Raised)
    assert set(BOOK.cause) == set(Cause)


@pytest.mark.parametrize("name", ALL)
def test_advice_is_whole(name):
    advice = ALL[name]
    assert len(advice.check_first) >= 2
    assert advice.reversible
    assert advice.irreversible
    assert advice.cautions
    assert len(advice.title) < 60


@pytest.mark.parametrize("name", ALL)
def test_dangerous_work_carries_its_caution(name):
    advice = ALL[name]
    work = " ".join((*advice.check_first, *advice.reversible, *advice.irreversible)).lower()
    named = {caution.key for caution in advice.cautions}
    for key, words in DANGERS.items():
        if re.search(words, work):
            assert key in named, f"{name}: {key}"
    # Any work near a struck string: loud blows, and an upright that may be moved.
    assert {"hearing", "tipping"} <= named


@pytest.mark.parametrize("name", ALL)
def test_what_cannot_be_undone_is_not_offered_before(name):
    advice = ALL[name]
    early = " ".join((*advice.check_first, *advice.reversible)).lower()
    assert not re.search(r"needle|harden(er)? in|\bream\b|\btrim\b|sand", early)


def test_brightness_sends_to_regulation_fit_and_seating_before_any_needle():
    checks = " ".join(BOOK.raised[Raised.BRIGHT].check_first).lower()
    for word in ("regulation", "fit of the hammer", "seating of the strings"):
        assert word in checks
    assert any("needle" in step for step in BOOK.raised[Raised.BRIGHT].irreversible)


def test_the_technician_and_local_rules_have_the_last_word():
    assert "qualified piano technician" in BOOK.defer
    assert "local rules" in BOOK.defer


def test_advice_cannot_be_changed():
    with pytest.raises(dataclasses.FrozenInstanceError):
        BOOK.raised[Raised.DULL].title = "x"
    with pytest.raises(TypeError):
        BOOK.raised[Raised.DULL] = BOOK.raised[Raised.BRIGHT]


def test_reading_gives_what_is_written():
    table = tomllib.loads(TEXT)
    assert list(BOOK.raised[Raised.SOFT].reversible) == table["raised"]["soft"]["reversible"]
    assert [c.key for c in BOOK.cause[Cause.NO_KEY].cautions] == table["cause"]["no_key"][
        "cautions"
    ]


@pytest.mark.parametrize(
    ("find", "put", "says"),
    [
        ("[raised.bright]", "[raised.brilliant]", "raised lacks bright"),
        ('title = "Duller than its neighbours"', "", "raised.dull lacks title"),
        ('title = "Duller than its neighbours"', 'title = " "', "raised.dull.title is a sentence"),
        ('title = "Duller than its neighbours"', "title = 3", "raised.dull.title is a sentence"),
        ('cautions = ["needles", ', 'cautions = ["noodles", ', "not defined: noodles"),
        ('cautions = ["needles", ', "cautions = [", "no advice names: needles"),
        ("\n[cautions]\n", '\n[cautions]\nwater = "Wet."\n', "no advice names: water"),
        ("\n[key.sluggish]\n", '\n[key.sluggish]\nextra = "x"\n', "not known: extra"),
        ("defer = ", "differ = ", "lacks defer"),
        ("\n[cautions]\n", "\n[cautions\n", "not valid TOML"),
    ],
)
def test_a_faulty_text_is_refused_with_its_place(find, put, says):
    assert find in TEXT
    with pytest.raises(ValueError, match=re.escape(says)):
        parse_advice(TEXT.replace(find, put, 1))


def test_a_list_that_repeats_itself_is_refused():
    line = '    "Renew the guide bushing.",\n'
    with pytest.raises(ValueError, match="says something twice"):
        parse_advice(TEXT.replace(line, line * 2))
