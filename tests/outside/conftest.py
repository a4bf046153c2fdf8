"""Reference libraries that need a hand to be imported."""

from __future__ import annotations

import importlib.util
import sys
import types
import warnings

import pytest


@pytest.fixture(scope="session")
def mosqito_metrics():
    """`mosqito.sq_metrics`; it asks for matplotlib at import, only to draw."""
    stand_ins = []
    if importlib.util.find_spec("matplotlib") is None:
        stand_ins = ["matplotlib", "matplotlib.pyplot"]
        for name in stand_ins:
            sys.modules[name] = types.ModuleType(name)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            from mosqito import sq_metrics
    finally:
        for name in stand_ins:
            sys.modules.pop(name, None)
    return sq_metrics
