"""How are the values of some runs drawn over the keyboard?

Three kinds of chart, all with the keys below: values of some runs laid over one another
(`overlay_chart`), one lane a run for the distance from the own trend (`lanes_chart`), and one
value a key with its range about zero (`difference_chart`). Each run has a letter, a mark and a
dash besides its colour.

Classes and functions: `ChartRun`, `ChartDifference`, `overlay_chart`, `lanes_chart`,
`difference_chart`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from toneapp.keyboard import Compass
from toneapp.pitch import note_name
from toneapp.sheets.drawing import Area, Drawing, Label, Mark, Shape, Stroke, text_width
from toneapp.sheets.keys import KeyPlaces, Scale, value_text
from toneapp.sheets.typed import shortened
from toneapp.sheets.values import KeyValue

__all__ = ["ChartDifference", "ChartRun", "difference_chart", "lanes_chart", "overlay_chart"]

WIDTH = 760.0
_LEFT, _RIGHT = 46.0, 738.0
_TITLE_SIZE, _TEXT_SIZE, _SMALL_SIZE = 16.0, 12.5, 11.5
_KEYS_HEIGHT = 24.0
_BELOW_KEYS = 20.0
_SIGNS = ("circle", "square", "up", "diamond", "down", "cross")
_DASHES = ("", "9 4", "2.5 3", "9 3 2.5 3", "14 4", "5 2")
_MANY_RUNS = 4
"""From so many runs the single points would hide the lines, so they are left to the table."""

_LANE_HEIGHTS = (96.0, 96.0, 78.0, 62.0, 58.0, 48.0)  # by runs, so that two charts fit a page
_LABEL_STEP = 12.5


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartRun:
    """One run in a chart."""

    label: str  # a letter, or "before" and "after"
    name: str
    values: tuple[KeyValue, ...]
    trend: tuple[tuple[int, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartDifference:
    """Change of one key."""

    midi: int
    value: float
    low: float
    high: float
    is_changed: bool


_Text = Callable[[str], str]


def overlay_chart(
    title: str,
    unit: str,
    runs: Sequence[ChartRun],
    compass: Compass,
    *,
    is_logarithmic: bool = False,
    nothing: str,
    numbers: _Text = str,
) -> Drawing:
    """Draw the values of some runs over one another, with a smooth line for each.

    Parameters
    ----------
    title, unit : str
        Heading, and what the scale shows.
    runs : sequence of ChartRun
        At most six.
    compass : Compass
        Keys to draw.
    is_logarithmic : bool
        Kind of scale; values are positive then.
    nothing : str
        What to say where there is no value.
    numbers : callable
        Writes the numbers of a text as the place does.

    Returns
    -------
    Drawing
    """
    places = KeyPlaces(compass, left=_LEFT, right=_RIGHT)
    shapes = _heading(title, unit)
    legend, top = _legend(runs)
    shapes += legend
    top += 8.0
    bottom = top + 190.0
    shapes += _ground(places, top, bottom)
    has_points = len(runs) < _MANY_RUNS
    every = [height for run in runs for _, height in run.trend]
    if has_points or not every:
        every += [item.value for run in runs for item in run.values]
    if every:
        scale = Scale.around(every, top=top + 6, bottom=bottom - 6, is_logarithmic=is_logarithmic)
        shapes += _scale_lines(scale, numbers)
        for number, run in enumerate(runs):
            shapes += _line(run, number, scale, places)
        for number, run in enumerate(runs):
            if has_points or not run.trend:
                shapes += _points(run, number, scale, places)
        shapes += _end_labels(runs, scale, places)
    else:
        shapes.append(_nothing_label(nothing, top, bottom))
    return _finished(title, shapes, places, bottom)


def lanes_chart(
    title: str,
    unit: str,
    runs: Sequence[ChartRun],
    compass: Compass,
    *,
    nothing: str,
    numbers: _Text = str,
) -> Drawing:
    """Draw the distance of each key from the own trend, one lane a run, all to one scale.

    Parameters
    ----------
    title, unit, runs, compass, nothing, numbers
        As in `overlay_chart`; values are distances from a trend.

    Returns
    -------
    Drawing
    """
    places = KeyPlaces(compass, left=_LEFT, right=_RIGHT)
    shapes = _heading(title, unit)
    top = 30.0
    lane = _LANE_HEIGHTS[min(len(runs), len(_LANE_HEIGHTS)) - 1] if runs else _LANE_HEIGHTS[0]
    reach = max((abs(item.value) for run in runs for item in run.values), default=0.0) or 1.0
    for number, run in enumerate(runs):
        shapes.append(
            Label(
                x=_LEFT, y=top + 13, size=_TEXT_SIZE, role=f"s{number % len(_SIGNS)}",
                text=_run_name(run, _RIGHT - _LEFT, _TEXT_SIZE), is_bold=True,
            )
        )  # fmt: skip
        upper, lower = top + 18, top + 18 + lane
        shapes += _ground(places, upper, lower)
        if run.values:
            scale = Scale(low=-1.12 * reach, high=1.12 * reach, top=upper, bottom=lower)
            shapes += _scale_lines(scale, numbers, most=3)
            shapes += _stems(run, number, scale, places)
        else:
            shapes.append(_nothing_label(nothing, upper, lower))
        top = lower + 4
    return _finished(title, shapes, places, top - 4)


def difference_chart(
    title: str,
    unit: str,
    changes: Sequence[ChartDifference],
    compass: Compass,
    *,
    audible: tuple[float, float],
    nothing: str,
    numbers: _Text = str,
) -> Drawing:
    """Draw the change of each key with its range about zero.

    Parameters
    ----------
    title, unit, compass, nothing, numbers
        As in `overlay_chart`.
    changes : sequence of ChartDifference
        After minus before.
    audible : tuple of float
        Lower and upper end of the band about zero that is hardly heard.

    Returns
    -------
    Drawing
    """
    places = KeyPlaces(compass, left=_LEFT, right=_RIGHT)
    shapes = _heading(title, unit)
    top, bottom = 36.0, 216.0
    shapes += _ground(places, top, bottom)
    if not changes:
        shapes.append(_nothing_label(nothing, top, bottom))
        return _finished(title, shapes, places, bottom)
    lowest, highest = _room_for(changes, audible)
    scale = Scale(low=lowest, high=highest, top=top, bottom=bottom)
    shapes.append(
        Area(
            left=_LEFT, top=scale.y(audible[1]), width=_RIGHT - _LEFT,
            height=scale.y(audible[0]) - scale.y(audible[1]), role="band",
        )
    )  # fmt: skip
    shapes += _scale_lines(scale, numbers)
    shapes.append(_level_line(scale.y(0.0)))
    for item in changes:
        x = places.x(item.midi)
        role = "accent" if item.is_changed else "muted"
        shapes.append(
            Stroke(points=((x, scale.y(item.low)), (x, scale.y(item.high))), role=role, width=1.2)
        )
    for item in changes:
        if not item.is_changed:
            shapes.append(
                Mark(x=places.x(item.midi), y=scale.y(item.value), sign="circle", size=2.9,
                     role="muted")
            )  # fmt: skip
    marked = [item for item in changes if item.is_changed]
    shapes += _named_marks(
        [(item.midi, item.value) for item in marked],
        "accent",
        scale,
        places,
        size=4.6,
        ends=[item.high if item.value >= 0 else item.low for item in marked],
    )
    return _finished(title, shapes, places, bottom)


def _room_for(
    changes: Sequence[ChartDifference], audible: tuple[float, float]
) -> tuple[float, float]:
    """Ends of the scale: every value and the ranges of what changed, other ranges where they fit.

    A few wide ranges shall not press all values together; they are cut at the edge.
    """
    low = min(1.25 * audible[0], *(1.2 * item.value for item in changes))
    high = max(1.25 * audible[1], *(1.2 * item.value for item in changes))
    marked = [item for item in changes if item.is_changed]
    low = min(low, *(1.3 * item.low for item in marked)) if marked else low
    high = max(high, *(1.3 * item.high for item in marked)) if marked else high
    lows, highs = (sorted(ends) for ends in zip(*((c.low, c.high) for c in changes), strict=True))
    share = len(changes) // 10
    return max(min(low, lows[share]), 1.6 * low), min(max(high, highs[-1 - share]), 1.6 * high)


def _heading(title: str, unit: str) -> list[Shape]:
    offset = text_width(title, _TITLE_SIZE, is_bold=True) + 10
    return [
        Label(x=0.0, y=18, text=title, size=_TITLE_SIZE, is_bold=True),
        Label(x=offset, y=18, text=unit, size=_SMALL_SIZE, role="muted"),
    ]


def _legend(runs: Sequence[ChartRun]) -> tuple[list[Shape], float]:
    """Sign, dash, letter and name of each run, up to three beside one another."""
    columns = min(max(len(runs), 1), 3)
    width = (_RIGHT - _LEFT) / columns
    shapes: list[Shape] = []
    for number, run in enumerate(runs):
        x = _LEFT + width * (number % columns)
        y = 38.0 + 19.0 * (number // columns)
        role = f"s{number % len(_SIGNS)}"
        shapes += [
            Stroke(points=((x, y - 4), (x + 32, y - 4)), role=role, width=2.2,
                   dash=_DASHES[number % len(_DASHES)]),
            Label(x=x + 40, y=y, text=_run_name(run, width - 48, _TEXT_SIZE), size=_TEXT_SIZE),
        ]  # fmt: skip
        if len(runs) < _MANY_RUNS:
            shapes.insert(
                -1, Mark(x=x + 16, y=y - 4, sign=_SIGNS[number % len(_SIGNS)], size=3.6, role=role)
            )
    return shapes, 38.0 + 19.0 * ((max(len(runs), 1) - 1) // columns)


def _run_name(run: ChartRun, width: float, size: float) -> str:
    text = f"{run.label} \N{MIDDLE DOT} {run.name}" if run.name else run.label
    most = len(text)
    while most > 4 and text_width(shortened(text, most), size, is_bold=True) > width:
        most -= 1
    return shortened(text, most)


def _ground(places: KeyPlaces, top: float, bottom: float) -> list[Shape]:
    shapes: list[Shape] = [
        Area(left=_LEFT, top=top, width=_RIGHT - _LEFT, height=bottom - top, role="lane")
    ]
    shapes += [
        Stroke(points=((places.x(midi), top), (places.x(midi), bottom)), role="grid", width=0.8)
        for midi in places.octaves()
    ]
    return shapes


def _scale_lines(scale: Scale, numbers: _Text, *, most: int = 5) -> list[Shape]:
    shapes: list[Shape] = []
    for value in scale.ticks(most):
        y = scale.y(value)
        shapes += [
            Stroke(points=((_LEFT, y), (_RIGHT, y)), role="grid", width=0.8),
            Label(x=_LEFT - 7, y=y + 4, text=numbers(value_text(value)), size=_SMALL_SIZE,
                  role="muted", anchor="end"),
        ]  # fmt: skip
    return shapes


def _level_line(y: float) -> Stroke:
    return Stroke(points=((_LEFT, y), (_RIGHT, y)), role="ink", width=1.0)


def _nothing_label(text: str, top: float, bottom: float) -> Label:
    return Label(
        x=(_LEFT + _RIGHT) / 2, y=(top + bottom) / 2 + 4, text=text, size=_TEXT_SIZE,
        role="muted", anchor="middle",
    )  # fmt: skip


def _line(run: ChartRun, number: int, scale: Scale, places: KeyPlaces) -> list[Shape]:
    points = tuple((places.x(midi), scale.y(height)) for midi, height in run.trend)
    if len(points) < 2:
        return []
    role, dash = f"s{number % len(_SIGNS)}", _DASHES[number % len(_DASHES)]
    return [Stroke(points=points, role=role, width=2.2, dash=dash)]


def _points(run: ChartRun, number: int, scale: Scale, places: KeyPlaces) -> list[Shape]:
    sign, role = _SIGNS[number % len(_SIGNS)], f"s{number % len(_SIGNS)}"
    return [
        Mark(
            x=places.x(item.midi), y=scale.y(item.value), sign=sign, size=2.9, role=role,
            is_hollow=item.is_limit,
        )
        for item in run.values
    ]  # fmt: skip


def _end_labels(runs: Sequence[ChartRun], scale: Scale, places: KeyPlaces) -> list[Shape]:
    """Letter of each run beside the end of its line, moved apart where they would meet."""
    if any(len(run.label) > 1 for run in runs):
        return []
    ends = sorted(
        (scale.y(run.trend[-1][1]), places.x(run.trend[-1][0]), number, run.label)
        for number, run in enumerate(runs)
        if run.trend
    )
    x = max((end[1] for end in ends), default=0.0) + 7
    heights = _kept_apart([y + 4 for y, *_ in ends], scale)
    shapes: list[Shape] = []
    for (_, _, number, label), height in zip(ends, heights, strict=True):
        shapes.append(
            Label(x=x, y=height, text=label, size=_TEXT_SIZE, role=f"s{number % len(_SIGNS)}",
                  is_bold=True)
        )  # fmt: skip
    return shapes


def _kept_apart(wanted: Sequence[float], scale: Scale) -> list[float]:
    """Heights of labels, from top to bottom, each below the one before and all in the chart."""
    heights: list[float] = []
    for height in wanted:
        heights.append(max(height, heights[-1] + _LABEL_STEP) if heights else height)
    floor = scale.bottom + 4
    for place in range(len(heights) - 1, -1, -1):
        heights[place] = min(heights[place], floor)
        floor = heights[place] - _LABEL_STEP
    return heights


def _stems(run: ChartRun, number: int, scale: Scale, places: KeyPlaces) -> list[Shape]:
    """A line from zero to each value; a triangle with its name where it is raised."""
    role = f"s{number % len(_SIGNS)}"
    zero = scale.y(0.0)
    shapes: list[Shape] = [_level_line(zero)]
    for item in run.values:
        x, y = places.x(item.midi), scale.y(item.value)
        shapes.append(Stroke(points=((x, zero), (x, y)), role=role, width=3.0))
    raised = [(item.midi, item.value) for item in run.values if item.is_raised]
    return shapes + _named_marks(raised, "accent", scale, places, size=4.0)


def _named_marks(
    notes: Sequence[tuple[int, float]],
    role: str,
    scale: Scale,
    places: KeyPlaces,
    *,
    size: float,
    ends: Sequence[float] | None = None,
) -> list[Shape]:
    """Triangles that point away from zero, with the names of their notes where there is room.

    A name stands beyond the end of the note's range, where one is given.
    """
    shapes: list[Shape] = []
    last: dict[bool, float] = {True: -1e9, False: -1e9}
    beyond = [value for _, value in notes] if ends is None else ends
    for (midi, value), end in sorted(zip(notes, beyond, strict=True)):
        x, y, is_up = places.x(midi), scale.y(value), value >= 0
        shapes.append(Mark(x=x, y=y, sign="up" if is_up else "down", size=size, role=role))
        name = note_name(midi)
        width = text_width(name, _SMALL_SIZE, is_bold=True)
        tip = scale.y(end)
        at = min(y - size, tip) - 3 if is_up else max(y + size, tip) + 11
        at = min(max(at, scale.top + 10), scale.bottom - 2)
        is_covering = at > y - size - 1 and at - 0.75 * _SMALL_SIZE < y + size + 1
        left = x + size + 2 if is_covering else x - width / 2
        if left > last[is_up] + 2 and left + width < _RIGHT + 30:
            shapes.append(
                Label(x=left, y=at + (3 if is_covering else 0), text=name, size=_SMALL_SIZE,
                      role=role, is_bold=True)
            )  # fmt: skip
            last[is_up] = left + width
    return shapes


def _finished(title: str, shapes: list[Shape], places: KeyPlaces, bottom: float) -> Drawing:
    shapes += places.keyboard(top=bottom + 3, height=_KEYS_HEIGHT)
    return Drawing(
        width=WIDTH,
        height=bottom + 3 + _KEYS_HEIGHT + _BELOW_KEYS,
        shapes=tuple(shapes),
        title=title,
    )
