"""What a map does for the content area, in numbers: lit or not, how coarse, how even, how much light goes astray."""

from dataclasses import dataclass

import cv2
import numpy as np

from rigwarp.geometry import Array, BoolArray, PixelMap
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.reports.measures.pixel_scale import determinant, pixel_light, singular_values
from rigwarp.reports.measures.table_raster import TableRaster, raster_table
from rigwarp.rig import Content, Rig, content_to_table, inside_content

_NINE = np.array([-1.0, 0.0, 1.0]) / 3.0  # centres of a 3 x 3 division, in sides of the square
_SPOT_CELLS = 2  # a nine-point reading is the mean over 5 x 5 cells, about the size of a light meter's cap


@dataclass(frozen=True, kw_only=True)
class Spread:
    """Smallest, median and largest value over an area."""

    smallest: float
    median: float
    largest: float

    @classmethod
    def of(cls, values: Array) -> "Spread":
        """Of the values that are finite; NaN where none is."""
        known = values[np.isfinite(values)]
        if not known.size:
            return cls(smallest=np.nan, median=np.nan, largest=np.nan)
        return cls(smallest=float(known.min()), median=float(np.median(known)), largest=float(known.max()))

    def __str__(self) -> str:
        if not np.isfinite(self.median):
            return "-"
        return f"{self.smallest:.2f} to {self.largest:.2f}, median {self.median:.2f}"


@dataclass(frozen=True, kw_only=True)
class Coverage:
    """A map judged against the content area. All lengths and areas on the table; NaN where nothing is lit.

    Attributes
    ----------
    lit_share : of the content area.
    measured_share : of the lit content area, supported by camera data rather than inferred from a model.
    doubled_share : of the content area, lit by more than one zone or by both sides of a fold.
    dark_patches : separate dark areas in the content area.
    dark_mm2, largest_dark_mm2 : their total, and the largest one.
    mm_per_pixel_long, mm_per_pixel_short : the two singular values of d(table)/d(pixel) over the content area.
    anisotropy : ratio of the two, 1 = round.
    evenness : smallest / largest irradiance over the lit content area.
    nine_point_evenness : the same over nine points, centres of a 3 x 3 division of the content (of the square that fits
        into a round one); dark points count as 0.
    corner_to_centre : mean of the four outer corner points of the nine, over the middle one.
    light_on_content, light_beside, light_lost : shares of the projector's light: on the content area, elsewhere in the
        map, and not in the map. A traced design places all light that the mirror sends to the table plane; a measured
        map only what lands on the table, where the camera can see it.
    fold_px : pairs of neighbouring pixels whose images have opposite orientation: the length of fold lines, in pixels.
    flipped_share : of the pixels with light, turned over against the majority of their zone.
    cell_mm : side of the cells that areas were counted with.
    """

    lit_share: float
    measured_share: float
    doubled_share: float
    dark_patches: int
    dark_mm2: float
    largest_dark_mm2: float
    mm_per_pixel_long: Spread
    mm_per_pixel_short: Spread
    anisotropy: Spread
    evenness: float
    nine_point_evenness: float
    corner_to_centre: float
    light_on_content: float
    light_beside: float
    light_lost: float
    fold_px: int
    flipped_share: float
    cell_mm: float

    def rows(self) -> list[tuple[str, str]]:
        """What it is and how much, as text."""
        dark = f"largest {self.largest_dark_mm2:.0f} mm², together {self.dark_mm2:.0f} mm²"
        turned = f"{100 * self.flipped_share:.2f} %, along {self.fold_px} px"
        return [
            ("content area lit", f"{100 * self.lit_share:.1f} %"),
            *([("  of that, measured", f"{100 * self.measured_share:.1f} %")] if self.measured_share > 0.0 else []),
            ("  lit twice", f"{100 * self.doubled_share:.1f} % of the content area"),
            ("dark patches", f"{self.dark_patches}, {dark}" if self.dark_patches else "none"),
            ("mm per pixel, long side", str(self.mm_per_pixel_long)),
            ("mm per pixel, short side", str(self.mm_per_pixel_short)),
            ("long side / short side", str(self.anisotropy)),
            ("computed light, darkest / brightest", _number(self.evenness)),
            ("  over nine points", _number(self.nine_point_evenness)),
            ("  corners / middle", _number(self.corner_to_centre)),
            ("light on the content", f"{100 * self.light_on_content:.1f} % of the projector's light"),
            ("light beside it", f"{100 * self.light_beside:.1f} %"),
            ("light elsewhere or lost", f"{100 * self.light_lost:.1f} %"),
            ("light turned over", turned if self.fold_px else "none"),
        ]


def judge_coverage(pixel_map: PixelMap, rig: Rig, *, raster: TableRaster | None = None) -> Coverage:
    """Judge a map against the rig's content area.

    Parameters
    ----------
    pixel_map : a traced design or a measured map, of the rig's projector.
    raster : the map's, when it is there already.
    """
    raster = raster_table(pixel_map, rig) if raster is None else raster
    content = inside_content(rig.content, raster.centres_mm)
    sheets = raster.sheets()
    lit = content & (sheets > 0)
    light = pixel_light(rig.projector)
    irradiance = raster.irradiance(light)
    large, small = singular_values(raster.jacobian)
    on_content = inside_content(rig.content, pixel_map.table_mm)
    folds, flipped = _folds(pixel_map, raster.jacobian)
    dark = _dark_patches(content & (sheets == 0), raster.cell_mm)
    nine = _nine_points(rig.content, raster, irradiance)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = large / small
    measured = raster.mean(pixel_map.measured.astype(float))
    return Coverage(
        lit_share=_share(lit, content),
        measured_share=float(measured[lit].mean()) if lit.any() else float("nan"),
        doubled_share=_share(content & (sheets > 1), content),
        dark_patches=len(dark),
        dark_mm2=float(dark.sum()),
        largest_dark_mm2=float(dark.max(initial=0.0)),
        mm_per_pixel_long=Spread.of(raster.mean(large)[lit]),
        mm_per_pixel_short=Spread.of(raster.mean(small)[lit]),
        anisotropy=Spread.of(raster.mean(ratio)[lit]),
        evenness=float(irradiance[lit].min() / irradiance[lit].max()) if lit.any() else float("nan"),
        nine_point_evenness=float(nine.min() / nine.max()) if nine.any() else float("nan"),
        corner_to_centre=float(nine[::2, ::2].mean() / nine[1, 1]) if nine[1, 1] > 0 else float("nan"),
        light_on_content=float(light[on_content].sum()),
        light_beside=float(light[pixel_map.answered & ~on_content].sum()),
        light_lost=float(light[~pixel_map.answered].sum()),
        fold_px=folds,
        flipped_share=flipped,
        cell_mm=raster.cell_mm,
    )


def _dark_patches(dark: BoolArray, cell_mm: float) -> Array:
    """(n,) areas of the separate dark patches, mm^2."""
    _, _, stats, _ = cv2.connectedComponentsWithStats(dark.astype(np.uint8), connectivity=8)
    return stats[1:, cv2.CC_STAT_AREA].astype(float) * cell_mm**2


def _nine_points(content: Content, raster: TableRaster, irradiance: Array) -> Array:
    """(3, 3) irradiance around nine points of the content; 0 where dark."""
    side = 1.0 if content.shape == "rectangle" else np.sqrt(0.5)
    share = np.stack(np.meshgrid(_NINE, _NINE), axis=-1) * side
    place = content_to_table(content, (share + 0.5) * content.pixels - 0.5)
    i, j = (
        np.rint((place[..., k] - axis[0]) / raster.cell_mm).astype(int)
        for k, axis in enumerate((raster.x_mm, raster.y_mm))
    )
    reading = np.zeros((3, 3))
    for index in np.ndindex(3, 3):
        rows, columns = (slice(max(c[index] - _SPOT_CELLS, 0), c[index] + _SPOT_CELLS + 1) for c in (j, i))
        reading[index] = np.nan_to_num(irradiance[rows, columns]).mean()
    return reading


def _folds(pixel_map: PixelMap, jacobian: Array) -> tuple[int, float]:
    """Length of the fold lines in pixels, and the share of pixels that are turned over."""
    turn = np.sign(np.nan_to_num(determinant(jacobian)))
    zone = pixel_map.zone
    length = 0
    for a, b in ((np.s_[1:], np.s_[:-1]), (np.s_[:, 1:], np.s_[:, :-1])):
        length += int(np.sum((turn[a] * turn[b] < 0.0) & (zone[a] == zone[b]) & (zone[a] != NO_LIGHT)))
    known = (turn != 0.0) & (zone != NO_LIGHT)
    flipped = 0
    for number in np.unique(zone[known]):
        here = turn[known & (zone == number)]
        flipped += int(min(np.sum(here > 0.0), np.sum(here < 0.0)))
    return length, flipped / max(int(known.sum()), 1)


def _share(part: BoolArray, whole: BoolArray) -> float:
    return float(part.sum() / max(int(whole.sum()), 1))


def _number(value: float) -> str:
    return f"{value:.2f}" if np.isfinite(value) else "-"
