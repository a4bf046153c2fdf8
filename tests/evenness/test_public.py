import types

from toneapp import evenness


def test_public_names_are_those_imported():
    found = {
        name
        for name, value in vars(evenness).items()
        if not name.startswith("_")
        and not isinstance(value, types.ModuleType)
        and name != "annotations"
    }
    assert found == set(evenness.__all__)
    assert len(evenness.__all__) == len(found)
