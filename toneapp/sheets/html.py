"""How does a sheet become one page for the screen, whole in one file?

The page needs nothing from elsewhere: styles, drawings, logo, sounds and the few lines of script
that switch them are in it. A content security policy in its head lets the browser run that script
alone and load nothing. Every text is escaped.

Functions: `sheet_html`.

References
----------
.. [1] W3C, Content Security Policy Level 3.
.. [2] W3C, Web Content Accessibility Guidelines (WCAG) 2.2.
"""

from __future__ import annotations

import base64
import hashlib
import re
from html import escape
from importlib.resources import files

from toneapp.sheets.blocks import (
    Block,
    Bullets,
    Chart,
    Heading,
    Listening,
    Notice,
    Paragraph,
    Rich,
    Sheet,
    Table,
    Tick,
    Ticks,
    plain,
)
from toneapp.sheets.clips import Clip
from toneapp.sheets.drawing import drawing_svg
from toneapp.sheets.figures import Figure
from toneapp.sheets.settings import Letterhead, SheetSettings
from toneapp.sheets.typed import Typed
from toneapp.sheets.words import Say

__all__ = ["sheet_html"]

_LONGEST_WHOLE = 28
"""Letters of a figure that is not broken over two lines."""

_UNCERTAIN = re.compile(r"[+−]?[\d.,]+ ± (?:less than )?[\d.,]+")


def sheet_html(sheet: Sheet, settings: SheetSettings) -> bytes:
    """Write a sheet as one HTML file.

    Parameters
    ----------
    sheet : Sheet
    settings : SheetSettings
        Letterhead and language.

    Returns
    -------
    bytes
        In UTF-8; works offline, from a mail attachment as well.
    """
    say = Say(settings)
    style = _resource("sheet.css")
    has_sound = any(isinstance(block, Listening) for block in sheet.blocks)
    script = _resource("sheet.js") if has_sound else ""
    policy = [
        "default-src 'none'",
        "base-uri 'none'",
        "form-action 'none'",
        "img-src data:",
        "media-src data:",
        f"style-src '{_digest(style)}'",
    ]
    if script:
        policy.append(f"script-src '{_digest(script)}'")
    title = escape(plain(sheet.title))
    large = " large" if sheet.is_large else ""
    parts = [
        "<!DOCTYPE html>\n",
        f'<html lang="{escape(settings.language)}">\n<head>\n<meta charset="utf-8">\n',
        f'<meta http-equiv="Content-Security-Policy" content="{"; ".join(policy)}">\n',
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n',
        f'<meta name="description" content="{escape(sheet.subject)}">\n',
        '<meta name="referrer" content="no-referrer">\n',
        f"<title>{title}</title>\n<style>{style}</style>\n</head>\n",
        f'<body>\n<div class="page{large}">\n',
        _letterhead(settings.letterhead),
        f"<main>\n<h1>{_rich(sheet.title)}</h1>\n",
        f'<p class="under">{_rich(sheet.subtitle)}</p>\n',
        f'<p class="under">{escape(sheet.made)}</p>\n',
        *(_block(block, say) for block in sheet.blocks),
        "</main>\n</div>\n",
        f"<script>{script}</script>\n" if script else "",
        "</body>\n</html>\n",
    ]
    return "".join(parts).encode("utf-8")


def _resource(name: str) -> str:
    return files("toneapp.sheets").joinpath(name).read_text("utf-8").replace("\r\n", "\n")


def _digest(text: str) -> str:
    """Digest by which the policy knows the text of a script or style."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode()


def _data_uri(content: bytes, mime: str) -> str:
    return f"data:{mime};base64,{base64.b64encode(content).decode('ascii')}"


def _letterhead(head: Letterhead) -> str:
    if head.is_empty:
        return ""
    lines = (
        [f'<p class="workshop"><bdi>{escape(head.workshop)}</bdi></p>'] if head.workshop else []
    )
    lines += [
        f"<p><bdi>{escape(line)}</bdi></p>" for line in (*head.address, head.contact) if line
    ]
    logo = ""
    if head.logo is not None:
        source = _data_uri(head.logo.content, head.logo.mime)
        logo = f'<img src="{source}" alt="{escape(head.workshop or "Logo")}">'
    return f'<header class="head"><div>{"".join(lines)}</div>{logo}</header>\n'


def _rich(text: Rich) -> str:
    found = []
    for part in text:
        if isinstance(part, Typed):
            found.append(f"<bdi>{_kept_together(part.text)}</bdi>")
        elif isinstance(part, Figure):
            found.append(_figure(part.text))
        else:
            found.append(escape(part))
    return "".join(found)


def _kept_together(text: str) -> str:
    """Escape a text; an uncertainty stays with its value."""
    return _UNCERTAIN.sub(r'<span class="figure">\g<0></span>', escape(text))


def _figure(text: str) -> str:
    """Keep a figure on one line; one with an interval may be broken before its bracket."""
    if len(text) > _LONGEST_WHOLE:
        return _kept_together(text)
    pieces = text.split(" [", 1)
    whole = f'<span class="figure">{escape(pieces[0])}</span>'
    return whole + (f' <span class="figure">[{escape(pieces[1])}</span>' if pieces[1:] else "")


def _block(block: Block, say: Say) -> str:
    if isinstance(block, Heading):
        return f"<h{block.level}><bdi>{escape(block.text)}</bdi></h{block.level}>\n"
    if isinstance(block, Paragraph):
        small = ' class="small"' if block.is_small else ""
        return f"<p{small}>{_rich(block.text)}</p>\n"
    if isinstance(block, Bullets):
        return _bullets(block.items, is_small=block.is_small)
    if isinstance(block, Notice):
        return (
            f'<section class="notice"><h2>{escape(block.title)}</h2>'
            f"{_bullets(block.items)}</section>\n"
        )
    if isinstance(block, Table):
        return _table(block)
    if isinstance(block, Chart):
        return (
            # On a narrow screen a chart keeps its size and is moved by itself, with the keys too.
            f'<figure><div class="chart" tabindex="0" role="group" '
            f'aria-label="{escape(block.drawing.title)}">'
            f"{drawing_svg(block.drawing, is_inline=True, alt=block.alt)}</div>"
            f"<figcaption>{_rich(block.caption)}</figcaption>"
            f"<details><summary>{escape(block.table.caption)}</summary>"
            f"{_table(block.table)}</details></figure>\n"
        )
    if isinstance(block, Ticks):
        return f'<ul class="ticks">{"".join(_tick(t, block, say) for t in block.items)}</ul>\n'
    return _listening(block, say)


def _bullets(items: tuple[Rich, ...], *, is_small: bool = False) -> str:
    small = ' class="small"' if is_small else ""
    return f"<ul{small}>" + "".join(f"<li>{_rich(item)}</li>" for item in items) + "</ul>\n"


def _table(table: Table) -> str:
    numbers = [cell.is_number for cell in table.rows[0]] if table.rows else []
    numbers += [False] * (len(table.head) - len(numbers))
    head = "".join(
        f'<th scope="col"{_number_class(is_number)}>{_rich(cell)}</th>'
        if plain(cell).strip()
        else "<td></td>"
        for cell, is_number in zip(table.head, numbers, strict=True)
    )
    rows = []
    for row in table.rows:
        first = f'<th scope="row">{_rich(row[0].text)}</th>'
        rest = "".join(
            f"<td{_number_class(cell.is_number)}>{_rich(cell.text)}</td>" for cell in row[1:]
        )
        rows.append(f"<tr>{first}{rest}</tr>")
    note = f'<p class="note">{_rich(table.note)}</p>' if table.note else ""
    # A table wider than the window is moved by itself, with the keys too.
    return (
        f'<div class="wide" tabindex="0" role="group" aria-label="{escape(table.caption)}">'
        f"<table><caption>{escape(table.caption)}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{''.join(rows)}</tbody></table></div>{note}\n"
    )


def _number_class(is_number: bool) -> str:
    return ' class="number"' if is_number else ""


def _tick(tick: Tick, ticks: Ticks, say: Say) -> str:
    state = say.text("work.done") if tick.is_done else say.text("work.open")
    sign = "✓" if tick.is_done else ""
    lines = [f'<p class="what">{_rich(tick.title)}</p>']
    lines += [f"<p>{_rich(text)}</p>" for text in (tick.reason, *tick.steps) if text]
    if tick.done_note:
        lines.append(f'<p class="small">{_rich(tick.done_note)}</p>')
    elif ticks.has_writing_line and not tick.is_done:
        lines.append(f'<p class="write">{escape(say.text("work.written"))}</p>')
    return (
        f'<li><span class="box" aria-hidden="true">{sign}</span>'
        f'<span class="unseen">{escape(state)}: </span>'
        f'<span class="key">{escape(tick.key)}</span><div>{"".join(lines)}</div></li>'
    )


def _listening(block: Listening, say: Say) -> str:
    names = block.names
    head = "".join(f'<th scope="col">{_rich(name)}</th>' for name in names)
    rows = "".join(_clip_row(clip, block, say) for clip in block.clips.clips)
    stopped, caption = escape(say.text("listen.stopped")), escape(say.text("listen.caption"))
    return (
        f'<p class="screen">{_rich(block.text)}</p>\n'
        f'<p class="paper">{escape(say.text("listen.paper"))}</p>\n'
        f'<div id="listen" data-stopped="{stopped}">'
        f'<div class="wide" tabindex="0" role="group" aria-label="{caption}">'
        f'<table class="play"><caption>{caption}</caption>'
        f'<thead><tr><th scope="col">{escape(say.text("listen.sound"))}</th>{head}</tr></thead>'
        f"<tbody>{rows}</tbody></table></div>"
        f'<p class="status" role="status"></p>'
        f'<button type="button" class="stop" hidden>{escape(say.text("listen.stop"))}</button>'
        "</div>\n"
    )


def _clip_row(clip: Clip, block: Listening, say: Say) -> str:
    name = say.text("listen.scale", notes=clip.name) if clip.is_scale else clip.name
    cells = []
    for version, run, label in zip(clip.versions, block.names, block.labels, strict=True):
        words = {"clip": name, "name": plain(run)}
        cells.append(
            f'<td data-label="{escape(label)}" '
            f'data-play="{escape(say.text("listen.play", **words))}" '
            f'data-playing="{escape(say.text("listen.playing", **words))}">'
            f'<audio controls preload="auto" src="{_data_uri(version.content, version.mime)}">'
            "</audio></td>"
        )
    return f'<tr><th scope="row">{escape(name)}</th>{"".join(cells)}</tr>'
