"""Form in figures, in the manner of ISO 10110-5 / ISO 14999-4, and the Zernike terms that a footprint tells apart."""

from dataclasses import dataclass

import numpy as np

from rigwarp.geometry import Array
from rigwarp.geometry.zernike import Disk, osa_terms

_ROTATIONAL_ORDERS = (0, 2, 4, 6, 8)  # radial functions Z(n, 0) that make up the rotationally symmetric part
HIGHEST_ORDER = 6
_MOST_CONDITION = 300.0  # of the functions over the footprint: beyond that, coefficients are no longer a description


@dataclass(frozen=True, kw_only=True)
class FormFigures:
    """Heights in um and slopes in mrad over n grid points after rigid alignment.

    Attributes
    ----------
    rms_um, pv_um, pv_99_um : total; pv_99 is the 99.8th minus the 0.2nd percentile, which noise does not blow up.
    power_pv_um : peak to valley of the best-fitting power term (A of ISO 10110-5), with its sign.
    rms_without_power_um, pv_without_power_um : irregularity: after taking out the power and what alignment then wants.
    rms_rotational_um : rms of the rotationally symmetric part of the irregularity.
    rms_asymmetric_um : what is left after that too (RMSa).
    slope_rms_mrad, slope_rms_without_power_mrad : root of the mean square of both slope components together.
    noise_rms_um : rms over the grid of the height's 1-sigma.
    n : number of grid points.
    spacing_mm : of the grid: slopes are those of a smooth surface, not averages over it.
    """

    rms_um: float
    pv_um: float
    pv_99_um: float
    power_pv_um: float
    rms_without_power_um: float
    pv_without_power_um: float
    rms_rotational_um: float
    rms_asymmetric_um: float
    slope_rms_mrad: float
    slope_rms_without_power_mrad: float
    noise_rms_um: float
    n: int
    spacing_mm: float


def form_figures(
    height_um: Array,
    slope_mrad: Array,
    sigma_um: Array,
    *,
    xy_mm: Array,
    disk: Disk,
    rigid: Array,
    spacing_mm: float,
) -> FormFigures:
    """Figures of heights (n,), slopes (n, 2) and height sigmas (n,) at points (n, 2).

    Parameters
    ----------
    rigid : (n, k)
        Height patterns of the rigid motions: power and rotational parts are what is left of theirs after alignment.
    disk : its centre is where rotational symmetry is looked for.
    """
    radial = disk.functions(xy_mm, tuple((n, 0) for n in _ROTATIONAL_ORDERS))
    align = np.linalg.lstsq(rigid, np.column_stack([height_um, radial]), rcond=None)[0]
    total, radial_left = height_um - rigid @ align[:, 0], radial - rigid @ align[:, 1:]
    power_share = np.linalg.lstsq(radial_left[:, 1:2], total, rcond=None)[0]
    power = radial_left[:, 1] * power_share[0]
    irregular = total - power
    symmetric_share = np.linalg.lstsq(radial_left, irregular, rcond=None)[0]
    symmetric = radial_left @ symmetric_share
    # Z(2,0) is sqrt(3) (2 rho^2 - 1): from centre to rim it rises by 2 sqrt(3)
    slope_of_power = power_share[0] * 4.0 * np.sqrt(3.0) * (xy_mm - disk.centre_mm) / disk.radius_mm**2
    slope_left = slope_mrad - slope_of_power  # um / mm = mrad
    return FormFigures(
        rms_um=_rms(total),
        pv_um=float(np.ptp(total)),
        pv_99_um=float(np.percentile(total, 99.8) - np.percentile(total, 0.2)),
        power_pv_um=float(2.0 * np.sqrt(3.0) * power_share[0]),
        rms_without_power_um=_rms(irregular),
        pv_without_power_um=float(np.ptp(irregular)),
        rms_rotational_um=_rms(symmetric),
        rms_asymmetric_um=_rms(irregular - symmetric),
        slope_rms_mrad=_rms(np.linalg.norm(slope_mrad, axis=-1)),
        slope_rms_without_power_mrad=_rms(np.linalg.norm(slope_left - slope_left.mean(axis=0), axis=-1)),
        noise_rms_um=_rms(sigma_um),
        n=len(height_um),
        spacing_mm=spacing_mm,
    )


@dataclass(frozen=True, kw_only=True)
class ZernikeTerm:
    """Z(n, m) with its coefficient and 1-sigma in um: the rms it has over the full disk."""

    n: int
    m: int
    um: float
    sigma_um: float


def fit_matrix(disk: Disk, xy_mm: Array) -> tuple[tuple[tuple[int, int], ...], Array]:
    """The (n, m) that the points (N, 2) can tell apart, and the (terms, N) matrix from heights to coefficients.

    Least squares, as Zernike functions are orthogonal on the full disk only; orders are left out from the top until
    the rest is well conditioned on the footprint.
    """
    for order in range(HIGHEST_ORDER, 1, -1):
        terms = osa_terms(order)
        functions = disk.functions(xy_mm, terms)
        if len(xy_mm) > 2 * len(terms) and np.linalg.cond(functions) < _MOST_CONDITION:
            break
    return terms, np.asarray(np.linalg.pinv(functions), float)


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2)))
