"""Local dents and bumps of a figure: where they are, how wide and how deep."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.robust import robust_sigma

_SMOOTH_SHARE = 0.12  # width of the form that is taken off, as a share of the footprint
_STANDS_OUT = 6.0  # times the robust scatter of what is left
_LEAST_UM = 0.3
_MOST, _FEWEST = 10, 100
_CLEAR = 1.4  # widths round a defect that its surroundings begin at: 1 % of a Gaussian's depth is left there
_RIM_SHARE = 0.03  # of the footprint: the figure is least certain there
_HALF = 0.5
_FWHM = 2.3548  # full width at half depth of a Gaussian over its sigma


@dataclass(frozen=True, kw_only=True)
class Defect:
    """A dent (depth < 0) or bump (depth > 0), towards the reflecting side.

    Attributes
    ----------
    x_mm, y_mm : its middle, mirror frame.
    width_mm : across, at half its depth.
    depth_um, sigma_um : against the form around it.
    slope_mrad : the steepest slope of a Gaussian of this width and depth.
    """

    x_mm: float
    y_mm: float
    width_mm: float
    depth_um: float
    sigma_um: float
    slope_mrad: float


def find_defects(x_mm: Array, y_mm: Array, height_um: Array, sigma_um: Array) -> tuple[Defect, ...]:
    """Places where a height map (ny, nx) stands out from its smooth form, the largest first.

    Parameters
    ----------
    x_mm, y_mm : grid lines, equally spaced.
    height_um, sigma_um : (ny, nx), NaN outside the footprint.

    Notes
    -----
    The form is a local quadratic (least squares with Gaussian weights): a plain average would see every curved part as
    a bump. Depths are those above the form of the surroundings alone.
    """
    lit = np.isfinite(height_um)
    if np.count_nonzero(lit) < _FEWEST:
        return ()
    extent = min(np.ptp(np.nonzero(lit)[0]), np.ptp(np.nonzero(lit)[1])) + 1.0
    width_px = _SMOOTH_SHARE * extent
    left = np.where(lit, height_um - local_form(height_um, width_px), 0.0)
    inner = ndimage.binary_erosion(lit, iterations=max(1, int(_RIM_SHARE * extent)))
    scatter = robust_sigma(left[inner]) if inner.any() else np.inf
    threshold = max(_STANDS_OUT * scatter, _LEAST_UM)
    found = []
    for sign in (1.0, -1.0):
        labels, n = ndimage.label(inner & (sign * left > threshold))
        for number in range(1, n + 1):
            first = _describe(x_mm, y_mm, left, sign, labels == number, sigma_um)
            clear = _without(x_mm, y_mm, height_um, first, width_px)
            found.append(_describe(x_mm, y_mm, clear, sign, labels == number, sigma_um))
    kept = sorted(found, key=lambda d: -abs(d.depth_um))
    # the form that a defect pulled along leaves a ring of the other sign round it: that is no defect
    alone: list[Defect] = []
    for defect in kept:
        x, y = defect.x_mm, defect.y_mm
        if all(np.hypot(x - other.x_mm, y - other.y_mm) > 2.0 * other.width_mm for other in alone):
            alone.append(defect)
    return tuple(alone[:_MOST])


def local_form(height: Array, width_px: float, wanted: BoolArray | None = None) -> Array:
    """(ny, nx) local quadratic through a map with gaps, with Gaussian weights of the given sigma, by moments.

    `wanted` says where it is asked for, gaps included; by default where there are heights.
    """
    lit = np.isfinite(height)
    wanted = lit if wanted is None else wanted
    rows, columns = np.indices(height.shape).astype(float)
    rows, columns = (rows - rows.mean()) / width_px, (columns - columns.mean()) / width_px
    powers = [(0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2)]
    filled = np.where(lit, height, 0.0)

    def mean(values: Array) -> Array:
        return np.asarray(ndimage.gaussian_filter(values, width_px, mode="constant", truncate=3.0), float)

    moment = {(i, j): mean(lit * rows**i * columns**j) for i in range(5) for j in range(5 - i)}
    matrix = np.stack([np.stack([moment[a + c, b + d] for c, d in powers], -1) for a, b in powers], -2)
    right = np.stack([mean(filled * rows**a * columns**b) for a, b in powers], -1)
    basis = np.stack([rows**a * columns**b for a, b in powers], -1)
    form = np.full(height.shape, np.nan)
    ridge = 1e-13 * np.trace(matrix[wanted], axis1=-2, axis2=-1)[:, None, None] * np.eye(6)
    solved = np.linalg.solve(matrix[wanted] + ridge, right[wanted][..., None])[..., 0]
    form[wanted] = np.sum(basis[wanted] * solved, axis=-1)
    return form


def _without(x_mm: Array, y_mm: Array, height_um: Array, defect: Defect, width_px: float) -> Array:
    """(ny, nx) heights above the form that the defect itself had no part in, 0 outside the footprint."""
    lit = np.isfinite(height_um)
    away = np.hypot(x_mm[None, :] - defect.x_mm, y_mm[:, None] - defect.y_mm)
    near, spacing = _CLEAR * defect.width_mm, float(x_mm[1] - x_mm[0])
    around = lit & (away > near)
    if np.count_nonzero(around) < _FEWEST:
        return np.where(lit, height_um - local_form(height_um, width_px), 0.0)
    form = local_form(np.where(around, height_um, np.nan), max(width_px, near / spacing), lit)
    return np.asarray(np.where(lit, height_um - form, 0.0), float)


def _describe(x_mm: Array, y_mm: Array, left: Array, sign: float, region: BoolArray, sigma_um: Array) -> Defect:
    spacing = float(x_mm[1] - x_mm[0])
    peak = np.unravel_index(np.argmax(np.where(region, sign * left, -np.inf)), left.shape)
    depth = float(left[peak])
    labels, _ = ndimage.label(sign * left > _HALF * abs(depth))
    half = labels == labels[peak]
    weight = np.where(half, np.abs(left), 0.0)
    width = 2.0 * float(np.sqrt(np.count_nonzero(half) / np.pi)) * spacing
    return Defect(
        x_mm=float(np.sum(weight * x_mm[None, :]) / weight.sum()),
        y_mm=float(np.sum(weight * y_mm[:, None]) / weight.sum()),
        width_mm=width,
        depth_um=depth,
        sigma_um=float(sigma_um[peak]),
        slope_mrad=float(abs(depth) * np.exp(-0.5) / max(width / _FWHM, spacing / _FWHM)),
    )
