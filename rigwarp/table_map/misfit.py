"""What held-out samples show beyond the predicted noise, place by place.

Noise of neighbouring samples is independent, whereas what a surface fails to follow is shared by neighbours, with
either sign. So the products of neighbouring residuals tell the misfit, however well or badly the noise is known, and
what they leave over tells how much larger the noise is than stated. Both are averaged over the whole picture first and
over smaller places where these differ by more than chance, so that a clean scan is charged nothing.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import map_coordinates

from rigwarp.geometry import Array, BoolArray, Rows
from rigwarp.geometry.blur import wide_blur
from rigwarp.geometry.threads import in_two_threads

_LAGS = ((0, 1), (1, 0), (1, 1), (1, -1))  # rows, columns: a ripple of any direction shows at one of them
_SCALES = (12.0, 5.0)  # cells; standard deviation of the places over which products are averaged, coarse to fine
_CLEAR = 5.0  # standard errors by which a place must differ from its surroundings: products of noise have long tails
_SHARED = 6.0  # pairs of one held-out tile that share the error of the fit
_NEAR = 6.0  # cells over which the noise is averaged
_FEW = 0.005  # density of held-out samples below which the average of all counts
_MEDIAN = 0.693  # of the mean square of two unit normals
_GROSS = 100.0  # times the median squared residual: beyond is an outlier, not a misfit
_FOLD_CELLS = 3  # a held-out tile lies in one fold


@dataclass(frozen=True, kw_only=True)
class HeldSamples(Rows):
    """Samples that were predicted without them.

    Attributes
    ----------
    pixels_px, residual_mm : (K, 2)
    sigma_mm : (K,) expected 1-sigma of the residual per axis: noise and fit.
    fit_mm : (K,) the fit's part of it, which neighbours share.
    """

    pixels_px: Array
    residual_mm: Array
    sigma_mm: Array
    fit_mm: Array

    def __len__(self) -> int:
        return len(self.pixels_px)


def join_held(parts: list[HeldSamples]) -> HeldSamples:
    """All of several."""

    def joined(name: str) -> Array:
        return np.concatenate([getattr(part, name) for part in parts])

    return HeldSamples(
        pixels_px=joined("pixels_px"),
        residual_mm=joined("residual_mm"),
        sigma_mm=joined("sigma_mm"),
        fit_mm=joined("fit_mm"),
    )


@dataclass(frozen=True, kw_only=True)
class Misfit:
    """On a grid of square cells of the projector picture.

    Attributes
    ----------
    cell_px : size of a cell.
    misfit_mm2 : (rows, columns) variance per axis of what the surface does not follow.
    noise_ratio : (rows, columns) variance of the noise over the stated one, at least 1.
    """

    cell_px: float
    misfit_mm2: Array
    noise_ratio: Array

    def at(self, pixels_px: Array) -> tuple[Array, Array]:
        """(...,) misfit_mm2 and noise_ratio at (..., 2) pixels."""
        where = np.moveaxis(pixels_px[..., ::-1] / self.cell_px, -1, 0) - 0.5 * (1.0 - 1.0 / self.cell_px)
        misfit, ratio = (
            np.asarray(map_coordinates(values, where, order=1, mode="nearest"))
            for values in (self.misfit_mm2, self.noise_ratio)
        )
        return misfit, ratio


def find_misfit(held: HeldSamples, shape: tuple[int, ...], cell_px: float) -> Misfit:
    """Judge the held-out samples of one zone.

    Parameters
    ----------
    held : the samples.
    shape : (H, W) of the projector picture.
    cell_px : spacing of the samples, or of the averages that stand for them.
    """
    rows, columns = (int(np.ceil(n / cell_px)) for n in shape[:2])
    if not len(held):
        return Misfit(cell_px=cell_px, misfit_mm2=np.zeros((rows, columns)), noise_ratio=np.ones((rows, columns)))
    column, row = np.floor((held.pixels_px + 0.5) / cell_px).astype(int).T
    index = np.clip(row, 0, rows - 1) * columns + np.clip(column, 0, columns - 1)

    def summed(values: Array) -> Array:
        return np.asarray(np.bincount(index, values, minlength=rows * columns), float).reshape(rows, columns)

    square = np.mean(held.residual_mm**2, axis=-1) / held.sigma_mm**2
    most = np.sqrt(_GROSS * np.median(square)) * held.sigma_mm[:, None]
    residual = np.clip(held.residual_mm, -most, most)
    count = summed(np.ones(len(held)))
    with np.errstate(invalid="ignore"):
        mean, variance, fit = (
            np.stack([summed(r) for r in residual.T]) / count,
            summed(held.sigma_mm**2) / count,
            summed(held.fit_mm**2) / count,
        )
    shown = max(float(np.median(square)) / _MEDIAN, 1.0)  # times the stated variance: so much do products scatter
    misfit = np.max([_shared(mean, shown * variance, fit, lag) for lag in _LAGS], axis=0)
    left = np.mean(residual**2, axis=-1) / (held.sigma_mm**2 + misfit.ravel()[index])
    scattered, density = np.moveaxis(wide_blur(np.stack([summed(left), count], axis=-1), _NEAR), -1, 0)
    ratio = (scattered + _FEW * left.mean()) / (density + _FEW)
    return Misfit(cell_px=cell_px, misfit_mm2=misfit, noise_ratio=np.maximum(ratio, 1.0))


def judged_sigma(held: HeldSamples, shape: tuple[int, ...], cell_px: float) -> Array:
    """(K,) 1-sigma to expect of each held-out residual once misfit and noise are known from *other* tiles."""
    fold = np.floor(held.pixels_px[:, 0] / (_FOLD_CELLS * cell_px)).astype(int) % 2 == 0
    sigma = held.sigma_mm.copy()

    def judge(judged: BoolArray) -> None:
        misfit, ratio = find_misfit(held.only(~judged), shape, cell_px).at(held.pixels_px[judged])
        sigma[judged] = np.sqrt(ratio * (held.sigma_mm[judged] ** 2 + misfit))

    in_two_threads(judge, (fold, ~fold))
    return sigma


def _shared(residual: Array, variance: Array, fit: Array, lag: tuple[int, int]) -> Array:
    """(rows, columns) variance that cells and their neighbours at `lag` share, beyond the error of the fit."""
    rows, columns = variance.shape
    down, across = lag
    one = (slice(0, rows - down), slice(max(0, -across), columns - max(0, across)))
    other = (slice(down, rows), slice(max(0, across), columns + min(0, across)))
    product = np.zeros(variance.shape)
    common, weight = np.zeros(variance.shape), np.zeros(variance.shape)
    product[one] = np.mean(residual[:, one[0], one[1]] * residual[:, other[0], other[1]], axis=0)
    common[one] = np.sqrt(fit[one] * fit[other])
    weight[one] = 1.0 / (0.5 * variance[one] * variance[other] + _SHARED * common[one] ** 2)
    known = np.isfinite(product) & np.isfinite(weight) & (weight > 0)
    product, common, weight = (np.where(known, values, 0.0) for values in (product, common, weight))
    if not known.any():
        return np.zeros(variance.shape)
    # a covariance above the fit's own is misfit, and so is one below zero: half a ripple away
    return np.asarray(_believed(np.stack([product - common, -product], axis=-1), weight).max(axis=-1))


def _believed(values: Array, weight: Array) -> Array:
    """Local weighted means of (rows, columns, k), at least 0, refined only where a finer scale differs clearly.

    In single precision, which is ample for what is known to some per cent.
    """
    total = float(weight.sum())
    single, share = values.astype(np.float32), np.asarray(weight / total * weight.size, np.float32)[..., None]
    mean = (share * single).sum(axis=(0, 1), dtype=float) / weight.size
    believed = np.zeros(values.shape, np.float32) + np.where(mean > _CLEAR / np.sqrt(total), mean, 0.0)
    for scale in _SCALES:
        sums = wide_blur(np.concatenate([share * single, share], axis=-1), scale)
        near = sums[..., -1:] + np.float32(1e-9)
        local = sums[..., :-1] / near
        narrow = wide_blur(share, scale / np.sqrt(2.0)) / (4.0 * np.pi * scale**2)
        error = np.sqrt(narrow * (weight.size / total)) / near
        believed = np.where(np.abs(local - believed) > _CLEAR * error, local, believed)
    return np.maximum(believed, 0.0)
