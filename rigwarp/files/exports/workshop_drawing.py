"""Flat drawings for the workshop at true size: SVG by hand, DXF through ezdxf."""

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final
from xml.sax.saxutils import escape

import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry import Array

CUT: Final = "CUT"
SCORE: Final = "SCORE"
NOTE: Final = "NOTE"
_SVG_LOOKS = {
    CUT: 'stroke="#000000" stroke-width="0.25"',
    SCORE: 'stroke="#d55e00" stroke-width="0.25" stroke-dasharray="3 1.5"',
    NOTE: 'stroke="#0072b2" stroke-width="0.2"',
}
_DXF_COLOURS = {CUT: 7, SCORE: 1, NOTE: 5}
_DXF_MM = 4  # $INSUNITS
_MARGIN_MM = 8.0
_LETTER = 0.62  # width of a letter over its height, to leave room for it


@dataclass(frozen=True, kw_only=True)
class Stroke:
    """A polyline (N, 2) in mm, x right and y up, on one of the layers."""

    layer: str
    points_mm: Array


@dataclass(frozen=True, kw_only=True)
class Label:
    """A line of text whose lower left is at (2,) mm."""

    at_mm: tuple[float, float]
    words: str
    height_mm: float = 3.5


@dataclass(frozen=True, kw_only=True)
class WorkshopDrawing:
    """Lines and words in mm."""

    title: str
    strokes: Sequence[Stroke]
    labels: Sequence[Label]

    @property
    def bounds_mm(self) -> tuple[Array, Array]:
        """(2,), (2,) lower left and upper right, with all words and a margin."""
        points = [stroke.points_mm for stroke in self.strokes]
        for label in self.labels:
            x, y = label.at_mm
            points.append(np.array([[x, y], [x + _LETTER * label.height_mm * len(label.words), y + label.height_mm]]))
        every = np.concatenate(points)
        return every.min(axis=0) - _MARGIN_MM, every.max(axis=0) + _MARGIN_MM


def svg_text(drawing: WorkshopDrawing) -> str:
    """The drawing as SVG 1.1 whose page is as large in mm as the drawing."""
    low, high = drawing.bounds_mm
    width, height = high - low
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.3f}mm" height="{height:.3f}mm" '
        f'viewBox="0 0 {width:.3f} {height:.3f}">',
        f"<title>{escape(drawing.title)}</title>",
        '<rect width="100%" height="100%" fill="#ffffff"/>',
    ]
    for stroke in drawing.strokes:
        places = " ".join(f"{x - low[0]:.4f},{high[1] - y:.4f}" for x, y in stroke.points_mm)
        lines.append(f'<polyline class="{stroke.layer}" points="{places}" fill="none" {_SVG_LOOKS[stroke.layer]}/>')
    for label in drawing.labels:
        x, y = label.at_mm[0] - low[0], high[1] - label.at_mm[1]
        lines.append(
            f'<text x="{x:.3f}" y="{y:.3f}" font-family="DejaVu Sans, sans-serif" font-size="{label.height_mm:g}">'
            f"{escape(label.words)}</text>"
        )
    return "\n".join([*lines, "</svg>"]) + "\n"


def dxf_text(drawing: WorkshopDrawing) -> str:
    """The drawing as DXF R2010 in mm, with the layers CUT, SCORE and NOTE.

    Raises
    ------
    InputError
        The library that writes DXF is not installed.
    """
    try:
        from ezdxf.filemanagement import new
    except ImportError as error:
        raise InputError(
            "--format mould-dxf needs the extra: pip install 'rigwarp[dxf]'. Or take the SVG drawing: --format mould"
        ) from error
    document: Any = new("R2010")
    document.header["$INSUNITS"] = _DXF_MM
    for layer, colour in _DXF_COLOURS.items():
        document.layers.add(layer, color=colour)
    space = document.modelspace()
    for stroke in drawing.strokes:
        space.add_lwpolyline([(float(x), float(y)) for x, y in stroke.points_mm], dxfattribs={"layer": stroke.layer})
    for label in drawing.labels:
        space.add_text(label.words, height=label.height_mm, dxfattribs={"layer": NOTE}).set_placement(label.at_mm)
    out = io.StringIO()
    document.write(out)
    return out.getvalue()
