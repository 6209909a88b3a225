"""How much of a projector pixel's light comes by way of one zone.

A camera sees light per area of the table. A ripple gathers it in crests: where pixels are sent closer together the
table is brighter, and no pixel has more light for it. The samples beside each other tell over what area a pixel's
light is spread, and the product of both is the pixel's own light: as even as the projector's beam is, with ripple or
without. It is conserved, too: where blur draws positions to the lit side, as many pixels have more light each.
"""

from dataclasses import replace

import numpy as np

from rigwarp.geometry import Array, BoolArray, IntArray
from rigwarp.table_map.borders.patch import fit_patch
from rigwarp.table_map.samples import Samples

_DEGREE = 3  # of what the light goes up and down by beside the line
_FEW = 24  # samples tell a slope
_FEWEST = 8
_MOST = 2.5  # times the usual area: more is where positions no longer follow places


def share_of_light(
    samples: Samples,
    stretch: IntArray,
    distance: Array,
    own: list[BoolArray],
    sides: list[BoolArray],
    *,
    step_px: float,
    per_area: bool,
) -> Array:
    """(N,) light of each sample's pixel by way of the sample's zone, over that of whole pixels; NaN where unknown.

    Parameters
    ----------
    samples, stretch, distance : N samples of a strip, (N,) the piece of border nearest to each, and (N,) how far it is.
    own : (N,) each, whose zone's light it is.
    sides : (N,) each, where that is all of a pixel's light.
    step_px : of the distance, for averages.
    per_area : whether samples' light is per area of the table; a view's pixels see brightness, which no ripple changes.
    """
    if not per_area:
        return _over_usual(samples, own, sides)
    spread_mm2 = np.full(len(samples), np.nan)
    for here, side in zip(own, sides, strict=True):
        known = here & np.isfinite(distance)
        for cut in (False, True):
            part = np.flatnonzero(known & (samples.cut == cut))
            if len(part):
                column = np.floor(distance[part] / step_px).astype(int)
                spread_mm2[part] = _spread_mm2(samples.only(part), stretch[part], column - column.min())
        inside = here & side & np.isfinite(spread_mm2)
        if not inside.any():
            continue
        usual_mm2 = np.median(spread_mm2[inside])
        spread_mm2[here] = np.minimum(
            np.where(np.isfinite(spread_mm2[here]), spread_mm2[here], usual_mm2), _MOST * usual_mm2
        )
        # where the picture's edge draws positions the share is told as the least it can be
        masked = here & samples.cut
        spread_mm2[masked] = np.minimum(spread_mm2[masked], usual_mm2)
    return _over_usual(replace(samples, light=samples.light * spread_mm2), own, sides)


def _spread_mm2(samples: Samples, stretch: IntArray, column: IntArray) -> Array:
    """(N,) area of the table that a projector pixel's light is spread over, about each sample; NaN where too few tell.

    Positions are regressed on places, which are as good as free of noise, over a stretch of border and a few steps of
    the distance.
    """
    shape = (int(stretch.max()) + 1, int(column.max()) + 1)
    number = np.ravel_multi_index((stretch, column), shape)

    def summed(values: Array | None = None) -> Array:
        return np.asarray(np.bincount(number, values, shape[0] * shape[1]).reshape(shape), float)

    count = summed()
    reach = max(1, int(np.ceil((_FEW / np.median(count[count > 0]) - 1.0) / 2.0)))

    def around(sums: Array) -> Array:
        total = np.cumsum(np.pad(sums, ((0, 0), (reach + 1, reach))), axis=1)
        return np.asarray(total[:, 2 * reach + 1 :] - total[:, : -2 * reach - 1])

    places, pixels = (values - values.mean(axis=0) for values in (samples.table_mm, samples.pixels_px))
    count = around(count)
    told = count >= _FEWEST
    each = np.maximum(count, 1)
    place, pixel = ([around(summed(v)) / each for v in values.T] for values in (places, pixels))

    def moment(one: int, other: int, values: Array, mean: list[Array]) -> Array:
        return around(summed(places[:, one] * values[:, other])) / each - place[one] * mean[other]

    (xx, xy, yx, yy), (xu, xv, yu, yv) = (
        [moment(i, j, values, mean) for i in (0, 1) for j in (0, 1)]
        for values, mean in ((places, place), (pixels, pixel))
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        area = np.abs((xx * yy - xy * yx) / (xu * yv - xv * yu))
    return np.asarray(np.where(told & np.isfinite(area), area, np.nan).ravel()[number])


def _over_usual(samples: Samples, own: list[BoolArray], sides: list[BoolArray]) -> Array:
    """(N,) light over that of whole pixels thereabouts, NaN where unknown.

    A camera pixel that saw a zone's light in several scans, each with a part of the picture lit, saw parts of it. What
    a whole pixel's light goes up and down by is the projector's and the camera's, for both zones alike; each zone has
    a factor of its own.
    """
    light = np.where(np.isfinite(samples.light), samples.light, 0.0)
    whole = np.zeros(len(samples))
    for here in own:
        seen_at = np.ascontiguousarray(samples.camera_px[here], np.float32).view(np.int64).ravel()  # both in one number
        _, place = np.unique(seen_at, return_inverse=True)
        whole[here] = np.bincount(place, light[here])[place]
    told = [here & side for here, side in zip(own, sides, strict=True)]
    usual = fit_patch(samples.pixels_px, whole[:, None], told[0] | told[1], degree=_DEGREE).value(samples.pixels_px)
    share = whole / np.where(usual[:, 0] > 0.0, usual[:, 0], np.nan)
    for here, side in zip(own, told, strict=True):
        share[here] /= np.nanmedian(share[side]) if side.any() else np.nan
    share[~(own[0] | own[1])] = np.nan
    return share
