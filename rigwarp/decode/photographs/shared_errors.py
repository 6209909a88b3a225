"""What a photograph has of its own and all places share: where the camera stood, its gain, light that was added.

By least squares, the places' own unknowns eliminated one place at a time (Schur complement; Triggs et al. (2000),
Bundle adjustment - a modern synthesis). A camera that looks at a plane and moves a little shifts its picture by the
eight fields of a homography.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.photographs.light_model import POSITIONS, UNKNOWNS, Frames, Seen, columns, expected_light
from rigwarp.geometry import Array
from rigwarp.geometry.robust import huber_weights

MOTION = 8
"""Shifts along columns and rows; turn, scale, stretch and shear by the shift at the picture's corners; two that grow
with the square of the distance."""
SHARED = MOTION + 9
"""And the gain; light that was added in shares of the usual contrast: in the picture's middle, and by how much more at
its corners along columns and rows; by how much stripes are stronger than their period's usual law says; bands along the
rows, cosine and sine, of all light, and of the light that black has, too."""
SHIFTS, GAIN, ADDED, STRONGER = range(3), MOTION, range(MOTION + 1, MOTION + 4), MOTION + 4
BANDS, BLACK_BANDS = range(MOTION + 5, MOTION + 7), range(MOTION + 7, MOTION + 9)
_PLACES_AT_ONCE = 500
_OUTLIER = 2.5  # times the usual misfit


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """Normal equations of k unknowns of each of F photographs about their present values.

    Attributes
    ----------
    normal : (F k, F k) information.
    pull : (F k,) right side: the step is normal^-1 pull.
    """

    normal: Array
    pull: Array

    def fitted(self, courses: Array, prior: Array) -> "Fitted":
        """Best steps of the factors of courses (m, F k), on which there is a prior (m,) information."""
        covariance = np.asarray(np.linalg.inv(courses @ self.normal @ courses.T + np.diag(prior)), float)
        pull = courses @ self.pull
        factors = covariance @ pull
        return Fitted(factors=factors, covariance=covariance, fall=float(pull @ factors))


@dataclass(frozen=True, kw_only=True)
class Fitted:
    """Factors (m,), their covariance (m, m), and by how much chi-squared falls."""

    factors: Array
    covariance: Array
    fall: float


def motion_fields(aside: Array) -> Array:
    """(N, MOTION, 2) shift of places `aside` (N, 2) by one of each unknown."""
    x, y = aside.T
    one, none = np.ones_like(x), np.zeros_like(x)
    fields = [(one, none), (none, one), (-y, x), (x, y), (x, -y), (y, x), (x * x, x * y), (x * y, y * y)]
    return np.stack([np.stack(field, axis=-1) for field in fields], axis=1)


def added_fields(aside: Array) -> Array:
    """(..., 3) light at places `aside` (..., 2) by one of each unknown of added light."""
    return np.concatenate([np.ones((*aside.shape[:-1], 1)), aside], axis=-1)


def position_effects(seen: Seen, frames: Frames, shared: Array, which: Sequence[int]) -> Array:
    """(N, 2, F k) by how many projector pixels one of the unknowns `which` of each photograph moves what places see."""
    _, basis, effects = _linearised(seen, frames, shared, seen.state, moving=min(which) < MOTION)
    normal = _regular(np.swapaxes(basis, 1, 2) @ basis)
    pull = np.linalg.solve(normal, np.swapaxes(basis, 1, 2))[:, POSITIONS]
    moved = pull[..., None] * effects[:, None][..., list(which)]
    return np.asarray(moved.reshape(len(moved), len(POSITIONS), -1))


def shift_px(fields: Array, pixels_px: NDArray[Any], shape: tuple[int, ...]) -> Array:
    """(N, 2) shift of places (N, 2) of a picture (H, W) by `fields` (MOTION,)."""
    return np.asarray(np.einsum("s,nsd->nd", fields, motion_fields(relative_places(pixels_px, shape))))


def relative_places(pixels_px: NDArray[Any], shape: tuple[int, ...]) -> Array:
    """(N, 2) places of a picture (H, W) from its middle, in half diagonals, as `motion_fields` wants them."""
    height, width = shape[:2]
    middle = np.array([0.5 * (width - 1), 0.5 * (height - 1)], pixels_px.dtype)
    return np.asarray((pixels_px - middle) / pixels_px.dtype.type(0.5 * np.hypot(height, width)))


def weigh(seen: Seen, frames: Frames, shared: Array, which: Sequence[int]) -> Evidence:
    """Evidence on the unknowns `which` of all photographs about the present values (F, SHARED)."""
    state = seen.state
    for _ in range(2):
        left, basis, _ = _linearised(seen, frames, shared, state, moving=False)
        state = state + _step(basis, left)
    left, basis, effects = _linearised(seen, frames, shared, state, moving=min(which) < MOTION)
    q = np.linalg.qr(basis)[0]
    left = left - (q @ (np.swapaxes(q, 1, 2) @ left[..., None]))[..., 0]
    misfit = np.sqrt(np.sum(left**2, axis=1) / max(1, len(frames.index) - UNKNOWNS))
    usual = float(np.median(misfit))
    root = huber_weights(misfit / usual, _OUTLIER) / usual
    effects, left = effects[..., list(which)] * root[:, None, None], left * root[:, None]
    count, size = effects.shape[1:]
    normal = np.zeros((count, size, count, size))
    every = np.arange(count)
    normal[every, :, every, :] = np.einsum("pfi,pfk->fik", effects, effects, optimize=True)
    information: Array = normal.reshape(count * size, -1)
    for first in range(0, len(left), _PLACES_AT_ONCE):
        some = slice(first, first + _PLACES_AT_ONCE)
        mixed = q[some].transpose(0, 2, 1)[..., None] * effects[some][:, None]
        flat = mixed.reshape(-1, count * size)
        information -= flat.T @ flat
    return Evidence(normal=information, pull=np.einsum("pfi,pf->fi", effects, left).ravel())


def _linearised(seen: Seen, frames: Frames, shared: Array, state: Array, *, moving: bool) -> tuple[Array, Array, Array]:
    """What is left (N, F), and derivatives of the light by states (N, F, UNKNOWNS) and by shared unknowns; those by
    motion are 0 unless `moving`."""
    fields = motion_fields(seen.aside)
    there = np.broadcast_to(state[:, None], (len(state), len(shared), UNKNOWNS))
    if shared[:, :MOTION].any():
        shift = np.einsum("fs,nsd->nfd", shared[:, :MOTION], fields)
        there = there - np.einsum("nfd,ndi->nfi", shift, seen.slope)
    by_state = columns(frames, seen.shares, there)
    light = expected_light(frames, seen.shares, there)
    lit = frames.waves.astype(float)
    gain = (1.0 + lit * shared[:, GAIN]) * (1.0 + lit * (seen.banding @ shared[:, BANDS].T))
    level = seen.contrast * added_fields(seen.aside)
    black_bands = (lit * there[..., 0])[..., None] * seen.banding[:, None]
    added = lit * (level @ shared[:, ADDED].T) + np.einsum("nfk,fk->nf", black_bands, shared[:, BLACK_BANDS])
    effects = np.zeros((*light.shape, SHARED))
    if moving:
        by_shift = -np.einsum("nfi,ndi->nfd", by_state, seen.slope) * gain[..., None]
        effects[..., :MOTION] = np.einsum("nfd,nsd->nfs", by_shift, fields)
    stripes = light - there[..., 0] - seen.shares * there[..., 1]
    light = light + stripes * shared[:, STRONGER]
    effects[..., GAIN] = lit * light
    effects[..., STRONGER] = lit * gain * stripes
    effects[..., ADDED] = lit[:, None] * level[:, None]
    effects[..., BANDS] = (lit * light)[..., None] * seen.banding[:, None]
    effects[..., BLACK_BANDS] = black_bands
    return seen.light - gain * light - added, by_state * gain[..., None], effects


def _step(basis: Array, left: Array) -> Array:
    """(N, UNKNOWNS) of each place's own least squares."""
    normal = _regular(np.swapaxes(basis, 1, 2) @ basis)
    return np.asarray(np.linalg.solve(normal, np.swapaxes(basis, 1, 2) @ left[..., None])[..., 0])


def _regular(normal: Array) -> Array:
    index = np.arange(UNKNOWNS)
    normal[:, index, index] += 1e-9 * (1.0 + normal[:, index, index])
    return normal
