"""Resolution: patches of fine lines through the warp, and how much of their contrast arrives on the table.

The lines are sinusoidal in linear light, so what arrives is the modulation transfer of the whole chain: content
pixels, warp, projector, mirror, table and, where it is not fine enough, the camera.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, Photo
from rigwarp.rig import Content
from rigwarp.rig.canvas import content_to_table
from rigwarp.rig.transfer import encode_transfer
from rigwarp.verification.quality.uniformity import ContentPixels, SeenContent

LINES_PER_MM = (0.0625, 0.125, 0.25, 0.5, 1.0, 2.0)
_STEPS = 3  # line densities shown: the finest that the content's pixels carry, and the next two coarser ones
_PIXELS_PER_LINE_PAIR = 2.5  # a sinusoid in fewer content pixels beats with them
_HALF_SIDE_MM = 12.0
_HALF_SIDE_SHARE = 0.06  # of the content's smaller side, where that is less
_RIM_SHARE = 0.02  # of the content's smaller side between a rim patch and the content's edge
_INNER = 0.85  # of a patch's half side is measured: its edge is blurred
_FEWEST_PX = 60
_DARK = 0.01  # mean light, of full scale, below which a patch cannot be judged

Direction = Literal["across", "along"]


@dataclass(frozen=True, kw_only=True)
class Chart:
    """One picture: patches of lines of one density in one direction.

    Attributes
    ----------
    lines_per_mm : line pairs per millimetre on the content.
    direction : "across": light changes along the content's width (upright lines); "along": along its height.
    """

    lines_per_mm: float
    direction: Direction


@dataclass(frozen=True, kw_only=True)
class ChartPatch:
    """Where lines are shown: name ("centre" or "rim") and the content pixel (2,) in its middle."""

    name: str
    content_px: Array


@dataclass(frozen=True, kw_only=True)
class ChartModulation:
    """What one patch shows.

    Attributes
    ----------
    place, at_mm : "centre" or "rim"; (2,) of the patch's middle on the table, of content that nobody has moved.
    lines_per_mm, direction : of the chart.
    modulation : (Imax - Imin) / (Imax + Imin) of the fitted sinusoid, linear light; NaN when it cannot be judged.
    camera_px_per_mm : camera pixels per millimetre of content along that direction.
    camera_limit : modulation that ideal square camera pixels of that size would leave of perfect lines.
    """

    place: str
    at_mm: Array
    lines_per_mm: float
    direction: Direction
    modulation: float
    camera_px_per_mm: float
    camera_limit: float


def line_charts(content: Content) -> list[Chart]:
    """The charts that a content canvas can carry, coarse ones first."""
    finest = min(np.array(content.pixels) / content.size_mm) / _PIXELS_PER_LINE_PAIR
    carried = [density for density in LINES_PER_MM if density <= finest][-_STEPS:]
    directions: tuple[Direction, ...] = ("across", "along")
    return [Chart(lines_per_mm=density, direction=direction) for density in carried for direction in directions]


def chart_patches(content: Content) -> list[ChartPatch]:
    """One patch in the middle and four at the rim: a circle's four sides, a rectangle's four corners."""
    size = np.array(content.size_mm)
    aside = size / 2.0 - _RIM_SHARE * size.min()
    half = half_side_mm(content)
    if content.shape == "circle":
        reach = np.sqrt(aside.min() ** 2 - half**2) - half  # the patch's outer corners stay on the content
        spots = reach * np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
    else:
        spots = (aside - half) * np.array([[1.0, 1.0], [-1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]])
    middle = (np.array(content.pixels) - 1.0) / 2.0
    per_mm = np.array(content.pixels) / size
    rim = [ChartPatch(name="rim", content_px=middle + spot * per_mm) for spot in spots]
    return [ChartPatch(name="centre", content_px=middle), *rim]


def half_side_mm(content: Content) -> float:
    """Half the side of a patch, on the content."""
    return min(_HALF_SIDE_MM, _HALF_SIDE_SHARE * min(content.size_mm))


def chart_picture(chart: Chart, content: Content) -> NDArray[np.uint8]:
    """The content picture (h, w, 3) of a chart: black with patches of lines, coded as sRGB."""
    width, height = content.pixels
    per_mm = np.array(content.pixels) / content.size_mm
    light = np.zeros((height, width))
    half = half_side_mm(content) * per_mm
    for patch in chart_patches(content):
        low = np.maximum(np.ceil(patch.content_px - half), 0).astype(int)
        high = np.minimum(np.floor(patch.content_px + half), [width - 1, height - 1]).astype(int) + 1
        axis = 0 if chart.direction == "across" else 1
        offset_mm = (np.arange(low[axis], high[axis]) - patch.content_px[axis]) / per_mm[axis]
        lines = 0.5 + 0.5 * np.cos(2.0 * np.pi * chart.lines_per_mm * offset_mm)
        light[low[1] : high[1], low[0] : high[0]] = lines[None, :] if axis == 0 else lines[:, None]
    codes = np.round(255.0 * encode_transfer(light, "srgb")).astype(np.uint8)
    return np.repeat(codes[..., None], 3, axis=2)


def measure_charts(
    photos: Sequence[Photo],
    charts: Sequence[Chart],
    black: Photo,
    light_of_code: NDArray[np.float32],
    content: Content,
    seen: SeenContent,
) -> list[ChartModulation]:
    """The modulation of every patch of every chart.

    Parameters
    ----------
    photos : one per chart, at the exposure of `black`.
    charts : what was shown.
    black : photograph of the black picture.
    light_of_code : linear light of each code value.
    content, seen : as for `measure_uniformity`.
    """
    found = []
    for patch in chart_patches(content):
        pixels = seen.within(patch.content_px, _INNER * half_side_mm(content), round_=False)
        per_px = _mm_per_px(seen.spot_mm, pixels)
        place = (pixels.rows, pixels.columns)
        for photo, chart in zip(photos, charts, strict=True):
            axis = 0 if chart.direction == "across" else 1
            light = (light_of_code[photo[place]] - light_of_code[black[place]]).astype(float)
            found.append(
                ChartModulation(
                    place=patch.name,
                    at_mm=content_to_table(content, patch.content_px),
                    lines_per_mm=chart.lines_per_mm,
                    direction=chart.direction,
                    modulation=fitted_modulation(light, pixels.offset_mm, chart.lines_per_mm, axis),
                    camera_px_per_mm=float(1.0 / per_px[axis]),
                    camera_limit=aperture_modulation(chart.lines_per_mm, float(per_px[axis])),
                )
            )
    return found


def fitted_modulation(light: Array, offset_mm: Array, lines_per_mm: float, axis: int) -> float:
    """Amplitude over mean of the sinusoid of known density that fits light (k,) at offsets (k, 2) best.

    Light may slope across the patch. NaN for fewer than 60 values, or light that is hardly there.
    """
    if len(light) < _FEWEST_PX or not light.mean() > _DARK:
        return float("nan")
    phase = 2.0 * np.pi * lines_per_mm * offset_mm[:, axis]
    terms = np.column_stack([np.ones(len(light)), offset_mm, np.cos(phase), np.sin(phase)])
    solved, *_ = np.linalg.lstsq(terms, light, rcond=None)
    return float(np.hypot(solved[3], solved[4]) / solved[0])


def aperture_modulation(lines_per_mm: float, mm_per_px: float) -> float:
    """Modulation that an ideal square pixel leaves: |sinc|, 2 / pi at its Nyquist limit 1 / (2 mm_per_px)."""
    return float(abs(np.sinc(lines_per_mm * mm_per_px)))


def _mm_per_px(spot_mm: Array, pixels: ContentPixels) -> Array:
    """(2,) extent of a camera pixel on the content along the content's two axes, mean over the pixels."""
    if len(pixels.rows) == 0:
        return np.full(2, np.nan)
    rows = np.clip(pixels.rows, 1, spot_mm.shape[0] - 2)
    columns = np.clip(pixels.columns, 1, spot_mm.shape[1] - 2)
    across = (spot_mm[rows, columns + 1] - spot_mm[rows, columns - 1]) / 2.0
    down = (spot_mm[rows + 1, columns] - spot_mm[rows - 1, columns]) / 2.0
    return np.asarray(np.mean(np.abs(across) + np.abs(down), axis=0))
