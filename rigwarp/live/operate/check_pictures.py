"""Built-in pictures that show at a glance whether the table is right, drawn in millimetres for the rig's canvas."""

from collections.abc import Callable
from itertools import pairwise

import numpy as np

from rigwarp.errors import UsageError
from rigwarp.live.operate.table_drawing import TableDrawing
from rigwarp.live.render.picture import Picture
from rigwarp.rig import Content

FINE_MM, COARSE_MM = 10, 50
GREY_STEPS = 11
_DIM = (90, 90, 90)
_WARM, _COOL = (255, 170, 60), (90, 190, 255)


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
    for step, width, colour in ((FINE_MM, 0.4, _DIM), (COARSE_MM, 0.9, (255, 255, 255))):
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


def _wedges(drawing: TableDrawing) -> None:
    """Fans of ever narrower wedges in nine places: they merge into grey where detail is lost."""
    reach_x, reach_y = _reach(drawing)
    radius = min(reach_x, reach_y) * 0.22
    for x in (-0.6, 0.0, 0.6):
        for y in (-0.6, 0.0, 0.6):
            centre = np.array([x * reach_x, y * reach_y])
            for k in range(0, 72, 2):
                a, b = np.pi * k / 36, np.pi * (k + 1) / 36
                rim = [centre + radius * np.array([np.cos(angle), np.sin(angle)]) for angle in (a, b)]
                drawing.polygon([tuple(centre), *(tuple(p) for p in rim)])
            # where 36 pairs share a circle of this radius a pair is 1 mm wide
            drawing.circle((centre[0], centre[1]), 36 / (2 * np.pi), width_mm=0.4, colour=_WARM)


def _greys(drawing: TableDrawing) -> None:
    """Eleven even steps of code value from black to white, with their percentages, over a smooth ramp."""
    reach_x, reach_y = _reach(drawing)
    across = np.linspace(-reach_x * 0.7, reach_x * 0.7, GREY_STEPS + 1)
    for number, (left, right) in enumerate(pairwise(across.tolist())):
        code = round(255 * number / (GREY_STEPS - 1))
        box = [(left, 0.05), (right, 0.05), (right, 0.5), (left, 0.5)]
        drawing.polygon([(x, y * reach_y) for x, y in box], colour=(code, code, code))
        label = (left + right) / 2, reach_y * 0.55
        drawing.text(label, str(100 * number // (GREY_STEPS - 1)), height_mm=reach_x / 40, middle=True)
    shades = np.linspace(-reach_x * 0.7, reach_x * 0.7, 257)
    for code, (left, right) in enumerate(pairwise(shades.tolist())):
        box = [(left, -0.5), (right, -0.5), (right, -0.05), (left, -0.05)]
        drawing.polygon([(x, y * reach_y) for x, y in box], colour=(code, code, code))


def _white(drawing: TableDrawing) -> None:
    """All white, to see how even the light is."""
    drawing.clear((255, 255, 255))


PICTURES: dict[str, Callable[[TableDrawing], None]] = {
    "grid": _grid,
    "wedges": _wedges,
    "greys": _greys,
    "white": _white,
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
