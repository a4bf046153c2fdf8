"""With which items does an assessment begin?

The templates of the package lie in `templates.toml` beside this module; a person's own lie as
TOML files of the same form in the folder ``templates`` of the library.

Functions: `load_templates`, `parse_templates`, `template_text`.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from toneapp.errors import InputError
from toneapp.library.rows import InstrumentKind

__all__ = ["Template", "TemplateItem", "load_templates", "parse_templates", "template_text"]

TEMPLATES_FOLDER = "templates"
_LARGEST_BYTES = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class TemplateItem:
    """One line of a template."""

    area: str
    finding: str
    action: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Template:
    """A worksheet to begin with."""

    name: str
    title: str
    kinds: tuple[InstrumentKind, ...]
    items: tuple[TemplateItem, ...]


def template_text() -> str:
    """Return the file of the package's templates, to be copied and changed."""
    return resources.files("toneapp.library").joinpath("templates.toml").read_text("utf-8")


def load_templates(library_folder: Path | None = None) -> dict[str, Template]:
    """Return the templates of the package, and those of a library over them.

    Parameters
    ----------
    library_folder : Path, optional
        Its folder ``templates`` is read.

    Raises
    ------
    InputError
        If a file of the person's own cannot be understood.
    """
    found = parse_templates(template_text(), "templates.toml")
    if library_folder is None:
        return found
    folder = library_folder / TEMPLATES_FOLDER
    for path in sorted(folder.glob("*.toml")) if folder.is_dir() else []:
        try:
            with path.open("rb") as file:
                content = file.read(_LARGEST_BYTES + 1)
            if len(content) > _LARGEST_BYTES:
                raise InputError(f"{path} is too large for worksheet templates; shorten it")
            text = content.decode("utf-8")
        except (OSError, UnicodeDecodeError) as exc:
            raise InputError(
                f"{path} cannot be read as text ({exc}); repair or remove it"
            ) from exc
        found |= parse_templates(text, str(path))
    return found


def parse_templates(text: str, name: str) -> dict[str, Template]:
    """Read templates from text in the form of `templates.toml`.

    Parameters
    ----------
    text : str
        TOML.
    name : str
        What the text is called in messages.

    Raises
    ------
    InputError
        If it is not of that form; the message names the place.
    """
    try:
        tables = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as exc:
        raise InputError(f"{name} is not valid TOML ({exc}); correct it and try again") from exc
    return {key: _template(key, table, name) for key, table in tables.items()}


def _template(key: str, table: object, name: str) -> Template:
    if not isinstance(table, dict) or set(table) != {"title", "kinds", "items"}:
        raise InputError(f"{name}: [{key}] needs title, kinds and items, and nothing else")
    title, kinds, items = table["title"], table["kinds"], table["items"]
    if not isinstance(title, str) or not title.strip():
        raise InputError(f"{name}: the title of [{key}] is not a text; write one")
    known = {kind.value for kind in InstrumentKind}
    if (
        not isinstance(kinds, list)
        or not kinds
        or not all(isinstance(kind, str) and kind in known for kind in kinds)
    ):
        raise InputError(f"{name}: the kinds of [{key}] are a list out of {sorted(known)}")
    if not isinstance(items, list) or not items:
        raise InputError(f"{name}: [{key}] has no items; list some")
    for row, item in enumerate(items, 1):
        if (
            not isinstance(item, list)
            or len(item) != 3
            or not all(isinstance(cell, str) for cell in item)
            or not item[0].strip()
        ):
            raise InputError(
                f"{name}: item {row} of [{key}] is not a list of area, finding and action"
            )
    return Template(
        name=key,
        title=title.strip(),
        kinds=tuple(InstrumentKind(kind) for kind in kinds),
        items=tuple(
            TemplateItem(area=item[0].strip(), finding=item[1].strip(), action=item[2].strip())
            for item in items
        ),
    )
