from __future__ import annotations

import types

from toneapp import library


def test_public_names_are_those_imported() -> None:
    found = {
        name
        for name, value in vars(library).items()
        if not name.startswith("_")
        and not isinstance(value, types.ModuleType)
        and name != "annotations"
    }
    assert found == set(library.__all__)
    assert len(library.__all__) == len(found)
