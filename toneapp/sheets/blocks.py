"""What stands on a sheet, before it is known whether it becomes paper or a page on a screen?

A `Sheet` is a title and a row of blocks; everything in it is ready to be shown, in words. Text is
`Rich`: parts that are plain words, figures that must not be broken over two lines, and names that
a person typed.

Classes: `Sheet`, the blocks, the parts. Functions: `plain`, `figures_of`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from toneapp.sheets.drawing import Drawing
from toneapp.sheets.figures import Figure
from toneapp.sheets.typed import Typed

if TYPE_CHECKING:
    from toneapp.sheets.clips import ClipSet

__all__ = [
    "Block",
    "Bullets",
    "Cell",
    "Chart",
    "Heading",
    "Listening",
    "Notice",
    "Paragraph",
    "Part",
    "Rich",
    "Sheet",
    "Table",
    "Tick",
    "Ticks",
    "figures_of",
    "plain",
]

Part = str | Figure | Typed
Rich = tuple[Part, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """Begins a section."""

    text: str
    level: int = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """Some sentences."""

    text: Rich
    is_small: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Bullets:
    """Sentences below one another."""

    items: tuple[Rich, ...]
    is_small: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """What must not be overlooked, in a frame."""

    title: str
    items: tuple[Rich, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One field of a table."""

    text: Rich
    is_number: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows under a head; the first field of each row names it."""

    caption: str
    head: tuple[Rich, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: Rich = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A drawing, said in words, and its values as a table."""

    name: str  # of its file, when it is written by itself
    drawing: Drawing
    alt: str
    caption: Rich
    table: Table


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """One line of work, with a box to tick."""

    key: str  # name of the note, in large type; may be empty
    title: Rich
    reason: Rich = ()
    steps: tuple[Rich, ...] = ()
    is_done: bool = False
    done_note: Rich = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticks:
    """Lines of work, to be read at arm's length."""

    items: tuple[Tick, ...]
    has_writing_line: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Listening:
    """Sounds to switch between; paper says that they are in the page for the screen."""

    text: Rich
    clips: ClipSet
    labels: tuple[str, ...]  # on the buttons, one a run
    names: tuple[Rich, ...]  # of the runs, with their labels


Block = Heading | Paragraph | Bullets | Notice | Table | Chart | Ticks | Listening


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One sheet, in the words and the numbers of one language and place."""

    kind: str  # "comparison", "change", "worklist" or "worksheet"
    title: Rich
    subtitle: Rich
    subject: str  # for the properties of the file
    made: str  # date, as shown
    blocks: tuple[Block, ...]
    is_large: bool = False  # for the bench: larger type
    facts: tuple[tuple[str, object], ...] = field(default=())  # for the JSON form


def plain(text: Rich) -> str:
    """Text without its marks.

    Examples
    --------
    >>> plain(("Run ", Typed(text="before work")))
    'Run before work'
    """
    return "".join(part if isinstance(part, str) else part.text for part in text)


def figures_of(sheet: Sheet) -> Iterator[Figure]:
    """Every figure that stands in words or in a printed table of a sheet, in its order."""
    for block in sheet.blocks:
        for text in _texts_of(block):
            yield from (part for part in text if isinstance(part, Figure))


def _texts_of(block: Block) -> Iterator[Rich]:
    if isinstance(block, Paragraph):
        yield block.text
    elif isinstance(block, Bullets | Notice):
        yield from block.items
    elif isinstance(block, Table):
        yield from block.head
        for row in block.rows:
            yield from (cell.text for cell in row)
        yield block.note
    elif isinstance(block, Chart):
        yield block.caption
    elif isinstance(block, Ticks):
        for item in block.items:
            yield from (item.title, item.reason, *item.steps, item.done_note)
