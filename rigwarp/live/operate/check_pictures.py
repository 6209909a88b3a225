"""Pictures of the player's own, in millimetres: to see at a glance whether the table is right, and the page's code."""

from collections.abc import Callable, Sequence
from concurrent.futures import Future
from itertools import pairwise

import numpy as np

from rigwarp.errors import UsageError
from rigwarp.geometry import Array, plane_rotation
from rigwarp.live.operate.flashes import FlashLimit
from rigwarp.live.operate.table_drawing import BLACK, WHITE, TableDrawing
from rigwarp.live.render.picture import Picture
from rigwarp.live.worker import Worker
from rigwarp.rig import Content, Rig

FINE_MM, COARSE_MM = 10, 50
GREY_STEPS = 11
_BEYOND_TABLE = 1.06  # so that the table's edge itself is on the canvas
_AIM_PX = 1600
_DIM = (90, 90, 90)
_WARM, _COOL = (255, 170, 60), (90, 190, 255)
CODE_S = 60.0
"""How long the code stays on the table."""
_MODULE_MM, _QUIET_MODULES = 3.0, 4
"""Of the code: large enough for a phone held over the table, and the margin that ISO/IEC 18004 asks for."""


def check_picture(name: str, content: Content) -> Picture:
    """The picture of that name for this canvas.

    Raises
    ------
    UsageError
        When there is none of that name.
    """
    draw = PICTURES.get(name)
    if draw is None:
        raise UsageError(f"there is no check picture {name!r}; there are: {', '.join(PICTURES)}")
    drawing = TableDrawing(content)
    draw(drawing)
    return drawing.picture


def _grid(drawing: TableDrawing) -> None:
    """Lines every 10 mm, bolder every 50 mm, circles whose radius stands beside them, the front edge named."""
    reach_x, reach_y = _reach(drawing)
    for step, width, colour in ((FINE_MM, 0.4, _DIM), (COARSE_MM, 0.9, WHITE)):
        for x in _multiples(reach_x, step):
            drawing.line((x, -reach_y), (x, reach_y), width_mm=width, colour=colour)
        for y in _multiples(reach_y, step):
            drawing.line((-reach_x, y), (reach_x, y), width_mm=width, colour=colour)
    for radius in range(COARSE_MM, int(min(reach_x, reach_y)) + 1, COARSE_MM):
        drawing.circle((0.0, 0.0), radius, width_mm=1.2, colour=_WARM)
        drawing.text((radius * 0.7071 + 2.0, radius * 0.7071 + 2.0), f"{radius} mm", height_mm=5.0, colour=_WARM)
    drawing.circle((0.0, 0.0), 2.5, width_mm=None, colour=_COOL)
    field = max(int(reach_y // COARSE_MM), 1) - 0.5  # in the middle of a field: a line would run through the word
    drawing.text((COARSE_MM / 2, -field * COARSE_MM - 4.0), "front", height_mm=9.0, colour=_COOL, middle=True)


def aim_canvas(rig: Rig) -> Content:
    """A canvas over the whole table and a little beyond, square pixels, the table's axes: what `aim_picture` fills."""
    size_mm = (_BEYOND_TABLE * rig.table.size_mm[0], _BEYOND_TABLE * rig.table.size_mm[1])
    scale = _AIM_PX / max(size_mm)
    pixels = (round(scale * size_mm[0]), round(scale * size_mm[1]))
    return Content(shape="rectangle", size_mm=size_mm, centre_mm=np.zeros(2), rotation_rad=0.0, pixels=pixels)


def aim_picture(rig: Rig) -> Picture:
    """What projector and mirror are moved by hand to: table edge, content outline, middle, and fans to focus by.

    On `aim_canvas`. The table's edge is warm, the content's outline white, the cross of the middle cool.
    """
    drawing = TableDrawing(aim_canvas(rig))
    line_mm = max(rig.table.size_mm) / 250.0
    for area, centre_mm, turn_rad, colour in (
        (rig.table, np.zeros(2), 0.0, _WARM),
        (rig.content, rig.content.centre_mm, rig.content.rotation_rad, WHITE),
    ):
        if area.shape == "circle":
            drawing.circle(_at(centre_mm), area.size_mm[0] / 2.0, width_mm=line_mm, colour=colour)
        else:
            corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * area.size_mm / 2.0
            corners = centre_mm + corners @ plane_rotation(turn_rad).T
            for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
                drawing.line(_at(start), _at(end), width_mm=line_mm, colour=colour)
    middle, arm = rig.content.centre_mm, min(rig.content.size_mm) / 8.0
    for way in (np.array([arm, 0.0]), np.array([0.0, arm])):
        drawing.line(_at(middle - way), _at(middle + way), width_mm=line_mm, colour=_COOL)
    for x, y in ((-0.3, 0.0), (0.3, 0.0), (0.0, -0.3), (0.0, 0.3)):
        _fan(drawing, middle + np.array([x, y]) * rig.content.size_mm, arm / 2.0)
    drawing.text(_at(middle - [0.0, 0.42 * rig.content.size_mm[1]]), "front", height_mm=arm / 3.0, middle=True)
    return drawing.picture


def _at(point_mm: Array) -> tuple[float, float]:
    return float(point_mm[0]), float(point_mm[1])


def _fan(drawing: TableDrawing, centre_mm: Array, radius_mm: float) -> None:
    """36 pairs of wedges: they merge into grey where detail is lost."""
    for k in range(0, 72, 2):
        angles = (np.pi * k / 36, np.pi * (k + 1) / 36)
        rim = [_at(centre_mm + radius_mm * np.array([np.cos(angle), np.sin(angle)])) for angle in angles]
        drawing.polygon([_at(centre_mm), *rim])


def _wedges(drawing: TableDrawing) -> None:
    """Fans of ever narrower wedges in nine places: they merge into grey where detail is lost."""
    reach_x, reach_y = _reach(drawing)
    radius = min(reach_x, reach_y) * 0.22
    for x in (-0.6, 0.0, 0.6):
        for y in (-0.6, 0.0, 0.6):
            centre = np.array([x * reach_x, y * reach_y])
            _fan(drawing, centre, radius)
            # where 36 pairs share a circle of this radius a pair is 1 mm wide
            drawing.circle((centre[0], centre[1]), 36 / (2 * np.pi), width_mm=0.4, colour=_WARM)


def _greys(drawing: TableDrawing) -> None:
    """Eleven even steps of code value from black to white, with their percentages, over a smooth ramp."""
    reach_x, reach_y = _reach(drawing)
    for steps, low, high in ((GREY_STEPS, 0.05, 0.5), (256, -0.5, -0.05)):
        across = np.linspace(-reach_x * 0.7, reach_x * 0.7, steps + 1)
        for number, (left, right) in enumerate(pairwise(across.tolist())):
            code = round(255 * number / (steps - 1))
            box = [(left, low), (right, low), (right, high), (left, high)]
            drawing.polygon([(x, y * reach_y) for x, y in box], colour=(code, code, code))
            if steps == GREY_STEPS:
                label = (left + right) / 2, reach_y * 0.55
                drawing.text(label, str(100 * number // (steps - 1)), height_mm=reach_x / 40, middle=True)


PICTURES: dict[str, Callable[[TableDrawing], None]] = {
    "grid": _grid,
    "wedges": _wedges,
    "greys": _greys,
    "white": lambda drawing: drawing.clear(WHITE),  # to see how even the light is
}


def _reach(drawing: TableDrawing) -> tuple[float, float]:
    """How far from the table's origin the canvas reaches along x and y."""
    content = drawing.content
    half = np.array(content.size_mm) / 2
    cos, sin = abs(np.cos(content.rotation_rad)), abs(np.sin(content.rotation_rad))
    turned = np.array([cos * half[0] + sin * half[1], sin * half[0] + cos * half[1]])
    far = turned + np.abs(content.centre_mm)
    return float(far[0]), float(far[1])


def _multiples(reach: float, step: int) -> range:
    most = int(reach // step) * step
    return range(-most, most + 1, step)


class StandIn:
    """Which picture stands in for the content; drawn beside the frame loop, and shown when it is there.

    Without a canvas (`content` None) nothing can be drawn.
    """

    def __init__(self, content: Content | None) -> None:
        self._content = content
        self._worker = Worker("rigwarp-stand-in")
        self._made: dict[str, Future[Picture]] = {}
        self._wanted, self._until_s = "", 0.0
        self._shown: Picture | None = None
        self.name = ""

    def show_grid(self, on: bool) -> None:
        """The check grid until it is taken away."""
        content = self._content
        if content is not None:
            self._want("grid" if on else "", lambda: check_picture("grid", content))

    def show_code(self, rows: Sequence[str], now_s: float) -> None:
        """The code whose rows are given as "0" and "1", for a minute; no rows: away with it."""
        content = self._content
        if content is not None:
            self._want(f"code {hash(tuple(rows))}" if rows else "", lambda: code_picture(content, rows))
            self._until_s = now_s + CODE_S

    def picture(self, now_s: float, flashes: FlashLimit) -> Picture | None:
        """What to show instead of the content; None: the content."""
        if self._wanted.startswith("code") and now_s >= self._until_s:
            self._wanted = ""
        future = self._made.get(self._wanted)
        ready = not self._wanted or (future is not None and future.done())
        if self.name != self._wanted and ready and flashes.jump(now_s):
            self.name = self._wanted
            self._shown = future.result() if future is not None else None
        return self._shown

    def close(self) -> None:
        """Draw no more."""
        self._worker.close()

    def _want(self, name: str, draw: Callable[[], Picture]) -> None:
        if name and name not in self._made:
            self._made = {kept: made for kept, made in self._made.items() if kept == "grid"}
            self._made[name] = self._worker.submit(draw)
        self._wanted = name


def code_picture(content: Content, rows: Sequence[str]) -> Picture:
    """A two-dimensional code in the middle of the canvas, dark on light, its first row away from the front edge."""
    drawing = TableDrawing(content)
    drawing.clear(BLACK)
    count = len(rows) + 2 * _QUIET_MODULES
    module_mm = min(_MODULE_MM, 0.7 * min(content.size_mm) / count)
    left, top = (
        float(content.centre_mm[0]) - count * module_mm / 2,
        float(content.centre_mm[1]) + count * module_mm / 2,
    )

    def square(column: float, row: float, size: float) -> list[tuple[float, float]]:
        x, y, side = left + column * module_mm, top - row * module_mm, size * module_mm
        return [(x, y), (x + side, y), (x + side, y - side), (x, y - side)]

    drawing.polygon(square(0, 0, count), colour=WHITE)
    for row, cells in enumerate(rows, _QUIET_MODULES):
        for column, cell in enumerate(cells, _QUIET_MODULES):
            if cell == "1":
                drawing.polygon(square(column, row, 1), colour=BLACK)
    return drawing.picture
