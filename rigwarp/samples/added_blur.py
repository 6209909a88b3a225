"""How much a mirror blurs, from the modulation that its stripes keep relative to the reference's."""

from dataclasses import dataclass

import numpy as np

from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array

_FEW = 2  # periods that a fit of two unknowns needs
_KEPT = 0.1  # of the modulation: below it the spread's form decides, not its width
_LEAST_SIGMA = 5e-4  # of ln(modulation): what a bench never does better than


@dataclass(frozen=True, kw_only=True)
class AddedBlur:
    """Spread that a mirror adds along one direction of the screen.

    Attributes
    ----------
    variance_mm2, variance_sigma_mm2 : below zero where the reference blurs more.
    lost, lost_sigma : share of light spread so widely that no stripe of the fit keeps any of it.
    misfit : chi-squared per degree of freedom; NaN for two periods.
    """

    variance_mm2: float
    variance_sigma_mm2: float
    lost: float
    lost_sigma: float
    misfit: float

    @property
    def sigma_mm(self) -> float:
        """1-sigma of the spread, negative for a negative variance."""
        return float(np.sign(self.variance_mm2) * np.sqrt(abs(self.variance_mm2)))


def added_blur(per_mm: Array, ratio: Array, ratio_sigma: Array) -> AddedBlur:
    """Blur and wide loss of stripes: -ln m = -ln(1 - lost) + 2 pi^2 variance f^2, by weighted least squares.

    The variance may differ from place to place, and its mean is found; the loss is common to all places.

    Parameters
    ----------
    per_mm : (n, ...) stripe frequencies on the screen, of n periods at any number of places.
    ratio, ratio_sigma : (n, ...) modulation of the sample over that of the reference; NaN is left out.

    Raises
    ------
    MeasurementError
        Fewer than two stripe periods keep enough modulation.
    """
    n = len(ratio)
    f, m, u = (np.reshape(a, (n, -1)) for a in (per_mm, ratio, ratio_sigma))
    good = np.isfinite(m) & (m > _KEPT)
    here = np.count_nonzero(good, axis=0) >= _FEW
    if not here.any():
        raise MeasurementError(
            f"found {np.count_nonzero(good.any(axis=1))} stripe periods that keep more than {100 * _KEPT:.0f} % of "
            "their contrast, expected two or more. It spreads light too widely for this bench: put the screen nearer."
        )
    f, m, u, good = f[:, here], np.where(good, m, 1.0)[:, here], u[:, here], good[:, here]
    weight = np.where(good, 1.0 / np.maximum(u / m, _LEAST_SIGMA) ** 2, 0.0)
    x, y = 2.0 * np.pi**2 * f**2, -np.log(m)
    w_x, w_xx, w_xy = (np.sum(weight * one, axis=0) for one in (x, x**2, x * y))
    # each place's own variance is eliminated, the loss solved for, and the variances follow (Schur complement)
    told = float(np.sum(weight.sum(axis=0) - w_x**2 / w_xx))
    loss = float(np.sum((weight * y).sum(axis=0) - w_x * w_xy / w_xx) / told)
    variance = (w_xy - loss * w_x) / w_xx
    freedom = np.count_nonzero(good) - len(variance) - 1
    misfit = float(np.sum(weight * (y - loss - variance * x) ** 2) / freedom) if freedom else float("nan")
    grown = max(1.0, misfit) if freedom else 1.0
    square = float(np.mean(1.0 / w_xx) / len(variance) + np.mean(w_x / w_xx) ** 2 / told)
    kept = float(np.exp(-loss))
    return AddedBlur(
        variance_mm2=float(variance.mean()),
        variance_sigma_mm2=float(np.sqrt(grown * square)),
        lost=1.0 - kept,
        lost_sigma=float(np.sqrt(grown / told)) * kept,
        misfit=misfit,
    )


def edge_modulation(place_mm: Array, light: Array, per_mm: Array, *, bin_mm: float) -> Array:
    """Modulation transfer by an edge, in the manner of ISO 12233: the cross-check of the stripes.

    Parameters
    ----------
    place_mm : (n,) of pixels, across the edge.
    light : (n,) linear light there.
    per_mm : (m,) frequencies that are asked for.
    bin_mm : pixels are put together in bins of this width, a quarter of their spacing or so.

    Notes
    -----
    Derivative by [-1/2 0 1/2], whose own transfer sin(2 pi f b) / (2 pi f b) is divided out, capped at 10, as is the
    bins' sinc(f b); Hamming window about the middle.
    """
    first = float(place_mm.min())
    which = ((place_mm - first) / bin_mm).astype(int)
    count = np.bincount(which)
    mean = np.bincount(which, light) / np.maximum(count, 1)
    there = count > 0
    steps = np.arange(len(mean))
    spread = np.interp(steps, steps[there], mean[there])
    slope = np.convolve(spread, [0.5, 0.0, -0.5], mode="valid")
    places = first + (steps[1:-1] + 0.5) * bin_mm
    middle = float(np.sum(places * np.abs(slope)) / np.sum(np.abs(slope)))
    reach = max(middle - places[0], places[-1] - middle)
    window = 0.54 + 0.46 * np.cos(np.pi * (places - middle) / reach)
    weighted = slope * window
    transfer = np.abs(np.exp(-2j * np.pi * np.multiply.outer(per_mm, places)) @ weighted) / abs(weighted.sum())
    derivative = np.sinc(2.0 * per_mm * bin_mm)
    return np.asarray(transfer / np.maximum(derivative * np.sinc(per_mm * bin_mm), 0.1))
