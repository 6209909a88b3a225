"""The bundle with corners and photos that do not fit left out, and the noise of each photo taken from its residuals."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rigwarp.camera.lens.bundle import Bundle, Corners, Observation, Prior, adjust, normal_equations, observe, residuals
from rigwarp.camera.lens.schur import NormalEquations
from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.robust import sigma_per_axis

_SOFT_ROUNDS = 4
_HARD_ROUNDS = 12
_SOFT_SCALE = 2.5  # residual, in sigmas, at which a corner's weight is a quarter while the fit is still rough
_OUTLIER = 4.5  # sigmas per axis beyond which a corner is left out: 1 in 10^4 good corners at most
_MIN_NOISE_PX = 1e-4  # keeps weights finite on noise-free synthetic corners
_PRIOR_DOF = 12.0  # how many degrees of freedom's worth the other photos' noise weighs in each photo's


@dataclass(frozen=True, kw_only=True)
class RobustFit:
    """A converged bundle and how well it fits.

    Attributes
    ----------
    kept : per photo (N,) bool
        False for corners left out.
    noise_px : (V,) 1-sigma of a corner per axis in each photo.
    residual_px : per photo (N, 2)
        Measured minus predicted, left-out corners included.
    equations : at the solution, weighted by 1 / noise^2: their inverse is the covariance.
    """

    bundle: Bundle
    kept: tuple[BoolArray, ...]
    noise_px: Array
    residual_px: tuple[Array, ...]
    equations: NormalEquations

    @property
    def rms_px(self) -> float:
        """RMS length of the residual vectors of the corners kept, px."""
        return rms_length(np.concatenate([r[k] for r, k in zip(self.residual_px, self.kept, strict=True)]))

    @property
    def view_rms_px(self) -> Array:
        """(V,) the same per photo."""
        return np.array([rms_length(r[k]) for r, k in zip(self.residual_px, self.kept, strict=True)])


def rms_length(vectors: Array) -> float:
    """RMS length of (N, 2) vectors; NaN for none."""
    return float(np.sqrt(np.mean(np.sum(vectors**2, axis=-1)))) if len(vectors) else float("nan")


def fit_robustly(
    start: Bundle,
    corners: Sequence[Corners],
    *,
    free: BoolArray,
    prior: Prior | None = None,
    rough: bool = True,
) -> RobustFit:
    """Adjust a bundle while finding the corners that do not belong.

    Parameters
    ----------
    corners : per photo
    free : (14,) which shared terms may move
    rough : whether the start may be far off, or comes from a fit to the same corners.

    Notes
    -----
    If `rough`, first a few rounds with soft weights 1 / (1 + (r / 2.5 s)^2)^2, s from the median, so that gross errors
    lose their pull; then plain least squares on the corners within 4.5 s until the choice settles. The noise of a photo
    is the rms of its residuals per degree of freedom, drawn towards that of all photos by 12 of these.
    """
    bundle, kept = start, tuple(np.ones(len(seen.image_px), bool) for seen in corners)
    for _ in range(_SOFT_ROUNDS if rough else 0):
        apart = residuals(bundle, corners)
        weights = [
            1.0 / (s * (1.0 + np.sum(r**2, axis=-1) / (_SOFT_SCALE * s) ** 2)) ** 2
            for r, s in zip(apart, _median_noise(apart), strict=True)
        ]
        bundle = adjust(bundle, observe(corners, weights), free=free, prior=prior, max_steps=3)
    noise = _median_noise(residuals(bundle, corners))
    n_shared = int(free.sum())
    for _ in range(_HARD_ROUNDS):
        apart = residuals(bundle, corners)
        chosen = tuple(np.linalg.norm(r, axis=-1) <= _OUTLIER * s for r, s in zip(apart, noise, strict=True))
        bundle = adjust(bundle, _observations(corners, chosen, noise), free=free, prior=prior)
        apart = residuals(bundle, corners)
        settled = all(np.array_equal(a, b) for a, b in zip(chosen, kept, strict=True))
        previous, kept, noise = noise, chosen, _photo_noise(apart, chosen, n_shared)
        if settled and np.allclose(previous, noise, rtol=1e-3):
            break
    seen = _observations(corners, kept, noise)
    bundle = adjust(bundle, seen, free=free, prior=prior)
    return RobustFit(
        bundle=bundle,
        kept=kept,
        noise_px=noise,
        residual_px=residuals(bundle, corners),
        equations=normal_equations(bundle, seen, free=free, prior=prior),
    )


def _observations(corners: Sequence[Corners], kept: Sequence[BoolArray], noise_px: Array) -> list[Observation]:
    return observe(corners, [k / s**2 for k, s in zip(kept, noise_px, strict=True)])


def _median_noise(apart: Sequence[Array]) -> Array:
    """(V,) robust noise per axis of each photo, never below that of all photos together halved."""
    pooled = sigma_per_axis(np.concatenate(apart))
    own = np.array([sigma_per_axis(r) for r in apart])
    return np.maximum(np.maximum(own, pooled / 2.0), _MIN_NOISE_PX)


def _photo_noise(apart: Sequence[Array], kept: Sequence[BoolArray], n_shared: int) -> Array:
    """(V,) noise per axis; the lens terms' degrees of freedom are shared out by the number of corners."""
    squares = np.array([np.sum(r[k] ** 2) for r, k in zip(apart, kept, strict=True)])
    counts = np.array([2.0 * k.sum() for k in kept])
    freedom = np.maximum(counts - 6.0 - n_shared * counts / max(counts.sum(), 1.0), 0.0)
    pooled = squares.sum() / max(freedom.sum(), 1.0)
    return np.maximum(np.sqrt((squares + _PRIOR_DOF * pooled) / (freedom + _PRIOR_DOF)), _MIN_NOISE_PX)
