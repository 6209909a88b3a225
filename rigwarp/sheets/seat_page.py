"""Pages to print for a bench of mirror samples: the seat's template at true size, and where to put what."""

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle

from rigwarp.samples.bench import SampleBench
from rigwarp.sheets.page import HAIRLINE_PT, TEXT_PT, blank_page, pdf_bytes
from rigwarp.sheets.pdf import A4

_FEET_MM = 8.0  # outside the opening
_STEPS = (
    "1  Print at 100 %, check the ruler, cut the opening out of matt black board. Three small feet (pins, balls) on",
    "   the marks: the mirror's REFLECTING face rests on them, the same way for the glass mirror and every sample.",
    "2  Projector, seat and screen as drawn; screen matt white, square to the beam; picture sharp on the screen by way",
    "   of the glass mirror. All picture improvement of the projector off; let it warm up for 20 minutes.",
    "3  Camera beside the beam, turned by about 5 degrees, the seat's whole picture in it; exposure, gain, white",
    "   balance and focus fixed. White by the brightest mirror stays below 90 % of full scale.",
    "4  Black baffle between screen and seat, and on the far side of the seat. No eyes at beam height, children's",
    "   included. A LASER projector on bare metal throws strong stray reflections: cover every way but the one to the",
    "   screen before it is turned on, and never look along the beam or into the mirror.",
    "5  Blow dust off each piece, wipe with a lint-free cloth; its protective film off. Edges of metal and glass cut.",
)


def seat_pages(bench: SampleBench) -> dict[str, bytes]:
    """File name -> PDF."""
    pages = {"seat-template-A4.pdf": _template(bench), "where-to-put-what-A4.pdf": _plan(bench)}
    return {name: pdf_bytes([page], "Bench for mirror samples") for name, page in pages.items()}


def _template(bench: SampleBench) -> Figure:
    figure, axes = blank_page(A4.size_mm)
    middle = np.array([A4.size_mm[0] / 2.0, 110.0])
    size = np.array(bench.opening_mm)
    axes.add_patch(Rectangle(tuple(middle - size / 2), *size, fill=False, lw=HAIRLINE_PT * 2))
    for x, y in ((-0.5, 0.5), (0.5, 0.5), (0.0, -0.5)):
        foot = middle + np.array([x * size[0], y * size[1] + np.sign(y) * _FEET_MM])
        axes.add_patch(Circle(tuple(foot), 1.0, fill=False, lw=HAIRLINE_PT * 2))
        axes.plot([foot[0] - 3, foot[0] + 3], [foot[1]] * 2, "k", lw=HAIRLINE_PT)
        axes.plot([foot[0]] * 2, [foot[1] - 3, foot[1] + 3], "k", lw=HAIRLINE_PT)
    axes.plot([55, 155], [250, 250], "k", lw=HAIRLINE_PT * 3)
    for x in range(0, 101, 10):
        axes.plot([55 + x] * 2, [248, 252], "k", lw=HAIRLINE_PT * 2)
    axes.text(105, 257, "100 mm: check with a steel rule", ha="center", fontsize=TEXT_PT)
    axes.text(105, 20, f"{bench.name}: seat, opening {size[0]:g} x {size[1]:g} mm", ha="center", fontsize=TEXT_PT)
    axes.text(105, 26, "circles: the three feet; the beam's plane is horizontal", ha="center", fontsize=TEXT_PT)
    return figure


def _plan(bench: SampleBench) -> Figure:
    """Seen from above, drawn to a scale that fits, with the lengths beside it."""
    figure, axes = blank_page(A4.size_mm)
    scale = 120.0 / (bench.near_mm + bench.far_mm)
    seat = np.array([40.0, 95.0])
    half = bench.angle_rad
    ends = []
    for side, length in ((-1.0, bench.near_mm), (1.0, bench.far_mm)):
        end = seat + scale * length * np.array([np.cos(half), side * np.sin(half)])
        axes.plot([seat[0], end[0]], [seat[1], end[1]], "k", lw=1)
        label = f"{length:g} mm"
        axes.text((seat[0] + end[0]) / 2, (seat[1] + end[1]) / 2 + side * 5, label, fontsize=TEXT_PT, ha="center")
        ends.append(end)
    axes.plot([seat[0]] * 2, [seat[1] - 8, seat[1] + 8], "k", lw=3)
    axes.text(seat[0] - 3, seat[1], "seat", fontsize=TEXT_PT, ha="right", va="center")
    axes.text(ends[0][0] + 4, ends[0][1], "projector", fontsize=TEXT_PT, va="center")
    axes.text(
        ends[1][0] + 4, ends[1][1], "screen, square to the beam; camera looks at it", fontsize=TEXT_PT, va="center"
    )
    turn = f"between the beams: {np.degrees(2 * half):.0f} degrees; beam on the mirror {bench.footprint_mm:.1f} mm wide"
    axes.text(25, 20, f"{bench.name}: where to put what (seen from above)", fontsize=TEXT_PT * 1.3)
    axes.text(25, 28, turn, fontsize=TEXT_PT)
    for row, text in enumerate(_STEPS):
        axes.text(18, 180 + 6.5 * row, text, fontsize=TEXT_PT * 1.05)
    return figure
