"""What may lie behind a finding, and what can be done about it, reversible steps first?

The texts live in `advice.toml` beside this module; its head says how it is laid out.

Functions: `load_advice` (the texts of the package), `parse_advice` (any text in that form).
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import Any

from toneapp.results import Cause, Raised

__all__ = ["Advice", "AdviceBook", "Caution", "load_advice", "parse_advice"]

_TEXTS = ("title", "reason")
_LISTS = ("check_first", "reversible", "irreversible", "cautions")


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """A danger of some work, to persons or to the instrument."""

    key: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """What to look at and what to do about one finding."""

    title: str
    reason: str
    check_first: tuple[str, ...]  # before any work
    reversible: tuple[str, ...]  # can be undone, in the order to try
    irreversible: tuple[str, ...]  # cannot; only when all above is right
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AdviceBook:
    """All advice, and the sentence that belongs beside any of it."""

    raised: Mapping[Raised, Advice]
    cause: Mapping[Cause, Advice]
    sluggish_key: Advice
    defer: str


@cache
def load_advice() -> AdviceBook:
    """Return the advice that comes with the package.

    Returns
    -------
    AdviceBook
        Read once.

    Examples
    --------
    >>> load_advice().raised[Raised.BRIGHT].title
    'Brighter than its neighbours'
    """
    text = resources.files("toneapp.evenness").joinpath("advice.toml").read_text("utf-8")
    return parse_advice(text)


def parse_advice(text: str) -> AdviceBook:
    """Read advice from text in the form of `advice.toml`.

    Parameters
    ----------
    text : str
        TOML.

    Returns
    -------
    AdviceBook
        Complete: one advice per way of being raised and per cause, each with its cautions.

    Raises
    ------
    ValueError
        If the text is not TOML, an entry or a field is missing, empty, unknown or of the wrong
        type, or a caution is named that is not defined or never used.
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise ValueError(f"the advice is not valid TOML: {exc}") from exc
    _expect_keys(table, {"defer", "cautions", "raised", "cause", "key"}, "the advice")
    cautions = {
        key: Caution(key=key, text=_text(value, f"cautions.{key}"))
        for key, value in _table(table["cautions"], "cautions").items()
    }
    raised = _section(table["raised"], "raised", [kind.value for kind in Raised], cautions)
    cause = _section(table["cause"], "cause", [kind.value for kind in Cause], cautions)
    key = _section(table["key"], "key", ["sluggish"], cautions)
    used = {
        caution.key
        for section in (raised, cause, key)
        for advice in section.values()
        for caution in advice.cautions
    }
    if unused := sorted(cautions.keys() - used):
        raise ValueError(f"cautions that no advice names: {', '.join(unused)}")
    return AdviceBook(
        raised=MappingProxyType({Raised(name): advice for name, advice in raised.items()}),
        cause=MappingProxyType({Cause(name): advice for name, advice in cause.items()}),
        sluggish_key=key["sluggish"],
        defer=_text(table["defer"], "defer"),
    )


def _section(
    value: object, name: str, kinds: list[str], cautions: Mapping[str, Caution]
) -> dict[str, Advice]:
    """Read one advice per kind, no more and no fewer."""
    section = _table(value, name)
    _expect_keys(section, set(kinds), name)
    return {kind: _advice(section[kind], f"{name}.{kind}", cautions) for kind in kinds}


def _advice(value: object, name: str, cautions: Mapping[str, Caution]) -> Advice:
    """Read one advice."""
    entry = _table(value, name)
    _expect_keys(entry, {*_TEXTS, *_LISTS}, name)
    lists = {field: _texts(entry[field], f"{name}.{field}") for field in _LISTS}
    if unknown := [key for key in lists["cautions"] if key not in cautions]:
        raise ValueError(f"{name} names cautions that are not defined: {', '.join(unknown)}")
    return Advice(
        title=_text(entry["title"], f"{name}.title"),
        reason=_text(entry["reason"], f"{name}.reason"),
        check_first=lists["check_first"],
        reversible=lists["reversible"],
        irreversible=lists["irreversible"],
        cautions=tuple(cautions[key] for key in lists["cautions"]),
    )


def _table(value: object, name: str) -> dict[str, Any]:
    """Expect a table."""
    if not isinstance(value, dict):
        raise ValueError(f"{name} is a table of entries, got {value!r}")
    return value


def _expect_keys(table: Mapping[str, object], expected: set[str], name: str) -> None:
    """Expect exactly these keys."""
    if missing := sorted(expected - table.keys()):
        raise ValueError(f"{name} lacks {', '.join(missing)}")
    if unknown := sorted(table.keys() - expected):
        raise ValueError(f"{name} has entries that are not known: {', '.join(unknown)}")


def _text(value: object, name: str) -> str:
    """Expect a sentence."""
    if not isinstance(value, str) or not value.strip():
        raise ValueError(f"{name} is a sentence, got {value!r}")
    return value.strip()


def _texts(value: object, name: str) -> tuple[str, ...]:
    """Expect a list of at least one sentence, none twice."""
    if not isinstance(value, list) or not value:
        raise ValueError(f"{name} is a list of sentences, got {value!r}")
    found = tuple(_text(item, name) for item in value)
    if len(set(found)) != len(found):
        raise ValueError(f"{name} says something twice")
    return found
