"""What a package offers is what its `__all__` lists, and each name can be used."""

from __future__ import annotations

import importlib
import inspect
import pkgutil

import pytest

import toneapp

NOT_LISTED = {"toneapp.__main__", "toneapp._typing"}
"""A start file and the names of types, neither of them public."""


def _names(*, only_packages: bool = False) -> list[str]:
    names = ["toneapp"]
    for item in pkgutil.walk_packages(toneapp.__path__, "toneapp."):
        is_wanted = item.ispkg or not only_packages
        if is_wanted and not item.name.startswith("toneapp.desktop"):
            names.append(item.name)
    return sorted(set(names) - NOT_LISTED)


@pytest.mark.parametrize("name", _names())
def test_listed_names_exist_once(name: str) -> None:
    module = importlib.import_module(name)
    listed = list(getattr(module, "__all__", []))
    assert len(set(listed)) == len(listed)
    assert [each for each in listed if not hasattr(module, each)] == []


@pytest.mark.parametrize("name", _names(only_packages=True))
def test_a_package_lists_all_that_it_imports_for_others(name: str) -> None:
    package = importlib.import_module(name)
    offered = {
        each
        for each, value in vars(package).items()
        if not each.startswith("_")
        and each != "annotations"
        and not inspect.ismodule(value)
        and getattr(value, "__module__", "").startswith("toneapp")
    }
    assert offered - {"main"} <= set(getattr(package, "__all__", []))


def test_everything_listed_is_described() -> None:
    bare = []
    for name in _names():
        module = importlib.import_module(name)
        for each in getattr(module, "__all__", []):
            value = getattr(module, each)
            if (inspect.isfunction(value) or inspect.isclass(value)) and not value.__doc__:
                bare.append(f"{name}.{each}")
    assert bare == []
