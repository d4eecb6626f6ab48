"""Charts made of rows: a name, a track with marks, and the numbers that belong to it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from perfkit.show.layout import Box, Canvas, Panel
from perfkit.show.lettering import fitted, plain

GAP = 22.0
THICKEST = 60.0
CLOSE = 1.35
"""Height of the closest rows on a tall page, over the size of their names."""


@dataclass(frozen=True, slots=True)
class Numbers:
    """One column of numbers right of the tracks.

    Attributes
    ----------
    header : str
        What they are; stands over the column.
    cells : tuple of str
        One a row.
    strong : bool
        Bold.
    """

    header: str
    cells: tuple[str, ...]
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Slot:
    """Where a row draws.

    Attributes
    ----------
    panel : Panel
    y, thick : float
        Centre and thickness of its bar, in data units.
    row : int
        The row's number.
    room : float
        Height left for marks, in design pixels.
    """

    panel: Panel
    y: float
    thick: float
    row: int
    room: float


@dataclass(frozen=True, slots=True)
class Scale:
    """The value axis of all rows.

    Attributes
    ----------
    low, high : float
    ticks : tuple of float
    labels : tuple of str
    """

    low: float
    high: float
    ticks: tuple[float, ...]
    labels: tuple[str, ...]


def _least_pitch(canvas: Canvas) -> float:
    label = canvas.size["label"]
    return 1.1 * label + 20 if canvas.page.tall else 1.36 * label


def _arranged(canvas: Canvas, names: Sequence[str], free: float) -> tuple[int, int]:
    """Give the number of columns and the rows that each holds.

    On a tall page a name is worth more than a row: where two columns would cut the names, closer
    rows stand in one, and what does not fit there is counted.
    """
    comfortable = max(1, math.floor(free / _least_pitch(canvas)))
    if len(names) <= comfortable:
        return 1, comfortable
    longest = max(canvas.width(plain(name)) for name in names)
    if canvas.page.tall and longest > 0.35 * canvas.box.width:
        return 1, max(1, math.floor(free / (CLOSE * canvas.size["label"])))
    return 2, comfortable


def _free(canvas: Canvas, top: float) -> float:
    return canvas.box.bottom - top - 1.9 * canvas.size["small"]


def lay_rows(
    canvas: Canvas,
    names: Sequence[str],
    numbers: Sequence[Numbers],
    scale: Scale,
    top: float | None = None,
    *,
    under: Sequence[str] = (),
) -> list[Slot]:
    """Write names, numbers and axis, and say where each row's marks go.

    Up to as many rows as fit stand in one column, more in two unless a tall page would cut their
    names there. Rows that do not fit are left out, and a line says how many.

    Parameters
    ----------
    canvas : Canvas
    names : sequence of str
        Plain or a stranger's; cleaned and shortened here.
    numbers : sequence of Numbers
    scale : Scale
    top : float, optional
        Where the rows begin; the top of the canvas's box unless given.
    under : sequence of str
        What stands small under each name, on a tall page with room for it.

    Returns
    -------
    list of Slot
        One for each row drawn, in order.
    """
    top = canvas.box.top if top is None else top
    if any(column.header for column in numbers):
        top += 1.3 * canvas.size["small"]
    columns, cap = _arranged(canvas, names, _free(canvas, top))
    shown = min(len(names), columns * cap)
    left_out = len(names) - shown
    if left_out:
        cap -= 1
        shown = min(len(names), columns * cap)
        left_out = len(names) - shown
    numbers = _without_crowding(canvas, names, numbers, columns)
    each = math.ceil(shown / columns)
    pitch = min(_free(canvas, top) / (each + bool(left_out)), 132 if not canvas.page.tall else 190)
    wide = (canvas.box.width - (columns - 1) * 2 * GAP) / columns
    slots: list[Slot] = []
    for column in range(columns):
        rows = range(column * each, min((column + 1) * each, shown))
        left = canvas.box.left + column * (wide + 2 * GAP)
        box = Box(left, top, left + wide, top + pitch * len(rows))
        slots += _column(canvas, box, names, numbers, scale, rows, under)
    if left_out:
        note = f"and {left_out} more in the table"
        y = top + pitch * each + 2.4 * canvas.size["small"]
        canvas.text(canvas.box.left, min(y, canvas.box.bottom - 10), note, "small", tone="soft")
    return slots


def _without_crowding(
    canvas: Canvas, names: Sequence[str], numbers: Sequence[Numbers], columns: int
) -> Sequence[Numbers]:
    """Give up secondary numbers, the first ones first, until names and tracks have room."""
    wide = (canvas.box.width - (columns - 1) * 2 * GAP) / columns
    longest = max(canvas.width(plain(name)) for name in names)
    if canvas.page.tall:
        alone = min(_number_edges(canvas, wide, numbers[-1:])) - GAP if numbers else wide
        need = longest if longest <= alone else 0.62 * wide
    else:
        need = min(longest, 0.34 * wide) + 0.28 * wide
    while len(numbers) > 1 and not numbers[0].strong:
        left = min(_number_edges(canvas, wide, numbers))
        if need + GAP <= left:
            break
        numbers = numbers[1:]
    return numbers


def _column(
    canvas: Canvas,
    box: Box,
    names: Sequence[str],
    numbers: Sequence[Numbers],
    scale: Scale,
    rows: range,
    under: Sequence[str],
) -> list[Slot]:
    tall = canvas.page.tall
    pitch = box.height / len(rows)
    head = min(1.1 * canvas.size["label"], pitch - 16) if tall else 0.0
    edges = _number_edges(canvas, box.right, numbers)
    ends = min(edges, default=box.right + GAP) - GAP
    first, small = head / 2, canvas.size["small"]
    if tall:
        room, track = box.width, Box(box.left, box.top, box.right, box.bottom)
        under = under if pitch > head + 1.2 * small + 30 else ()
        head += 1.2 * small if under else 0.0
    else:
        under = ()
        longest = max(canvas.width(plain(names[row])) for row in rows)
        room = min(longest, 0.34 * box.width)
        track = Box(box.left + room + GAP, box.top, ends, box.bottom)
    panel = canvas.panel(track, (scale.low, scale.high), (len(rows), 0))
    _headers(canvas, box, numbers, edges)
    thick = min(max(0.60 * (pitch - head), 14.0 if tall else 0.0), THICKEST)
    slots = []
    for place, row in enumerate(rows):
        middle = box.top + pitch * place + (first if tall else pitch / 2)
        free = _left_of_numbers(canvas, box, numbers, row) if tall else room
        canvas.text(box.left, middle, fitted(plain(names[row]), canvas.size["label"], free))
        if under:
            said = fitted(plain(under[row]), small, room)
            canvas.text(box.left, middle + 1.2 * small, said, "small", tone="soft")
        for column, edge in zip(numbers, _rights(canvas, box.right, numbers), strict=True):
            tone = "ink" if column.strong else "soft"
            cell = canvas.text(
                edge, middle, column.cells[row], face=_face(column), tone=tone, side="right"
            )
            cell.set_gid(f"number {row}")
        centre = place + (head / pitch + (1 - head / pitch) / 2 if tall else 0.5)
        slots.append(Slot(panel, centre, thick / pitch, row, pitch - head))
    _rules(panel, scale, slots, box)
    return slots


def _left_of_numbers(canvas: Canvas, box: Box, numbers: Sequence[Numbers], row: int) -> float:
    """Room of one row's name: up to the first of its own numbers."""
    edges = _rights(canvas, box.right, numbers)
    cells = [canvas.width(column.cells[row], "label", _face(column)) for column in numbers]
    lefts = [edge - cell - GAP for edge, cell in zip(edges, cells, strict=True)]
    return min(lefts, default=box.right) - box.left


def _rules(panel: Panel, scale: Scale, slots: Sequence[Slot], box: Box) -> None:
    if not panel.canvas.page.tall:
        panel.rule_x(scale.ticks, scale.labels, box)
        return
    reach = 7 * len(slots) / box.height
    for slot in slots:
        ends = [slot.y - slot.thick / 2 - reach, slot.y + slot.thick / 2 + reach]
        for tick in scale.ticks:
            panel.grid([tick, tick], ends, tick == 0)
    panel.write_x(scale.ticks, scale.labels, box)


def _face(column: Numbers) -> str:
    return "strong" if column.strong else "text"


def _widths(canvas: Canvas, numbers: Sequence[Numbers]) -> list[float]:
    return [
        max(
            canvas.width(column.header, "small"),
            *(canvas.width(cell, "label", _face(column)) for cell in column.cells),
        )
        for column in numbers
    ]  # fmt: skip


def _rights(canvas: Canvas, right: float, numbers: Sequence[Numbers]) -> list[float]:
    edges, edge = [], right
    for width in reversed(_widths(canvas, numbers)):
        edges.append(edge)
        edge -= width + GAP
    return edges[::-1]


def _number_edges(canvas: Canvas, right: float, numbers: Sequence[Numbers]) -> list[float]:
    """Left edge of the cells of each column; headers stand on a line of their own."""
    rights = _rights(canvas, right, numbers)
    return [
        edge - max(canvas.width(cell, "label", _face(column)) for cell in column.cells)
        for edge, column in zip(rights, numbers, strict=True)
    ]


def _headers(canvas: Canvas, box: Box, numbers: Sequence[Numbers], edges: Sequence[float]) -> None:
    for column, edge in zip(numbers, _rights(canvas, box.right, numbers), strict=True):
        if column.header:
            canvas.text(
                edge, box.top - 4, column.header, "small", tone="soft", side="right", up="bottom"
            )
