"""Least squares over one lens, one board and the poses of many photographs of it.

All photos share the lens (9 terms) and the shape of the print (5 terms); each has a pose of its own.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rigwarp.camera.boards.board_shape import N_SHAPE
from rigwarp.camera.lens.schur import NormalEquations
from rigwarp.camera.projection import N_LENS, project_camera_points, project_with_jacobians
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray, Rows, rotation_from_vector

N_SHARED = N_LENS + N_SHAPE

_MAX_STEPS = 60
_CONVERGED = 1e-9  # relative gain of the sum of squares: of 10^4 corners 0.005 sigma, and the last step leaves far less
_FIRST_DAMPING = 1e-6
_LARGEST_DAMPING = 1e12


@dataclass(frozen=True, kw_only=True)
class Corners(Rows):
    """The corners found in one photo.

    Attributes
    ----------
    points_mm : (N, 3) in the world of the photo's pose, for a print of the expected shape.
    image_px : (N, 2)
    bends : (N, 3, 5) how the points move per unit of each shape term.
    """

    points_mm: Array
    image_px: Array
    bends: Array


@dataclass(frozen=True, kw_only=True)
class Observation:
    """Corners with their weights (N,), 1 / px^2; 0 = left out."""

    corners: Corners
    weight: Array


@dataclass(frozen=True, kw_only=True)
class Pose:
    """X_camera = R X + t."""

    R: Array
    t_mm: Array


@dataclass(frozen=True, kw_only=True)
class Prior:
    """What is known of the shared terms beforehand: values (14,) and an information matrix (14, 14)."""

    shared: Array
    information: Array


@dataclass(frozen=True, kw_only=True)
class Bundle:
    """Shared terms (14,) - lens, then shape of the print - and one pose per photo."""

    shared: Array
    poses: tuple[Pose, ...]

    @property
    def lens(self) -> Array:
        """(9,) fx, fy, cx, cy, k1, k2, p1, p2, k3."""
        return self.shared[:N_LENS]

    @property
    def shape(self) -> Array:
        """(5,) see `board_shape`."""
        return self.shared[N_LENS:]


def observe(corners: Sequence[Corners], weights: Sequence[Array]) -> list[Observation]:
    """Corners per photo with their weights."""
    return [Observation(corners=seen, weight=weight) for seen, weight in zip(corners, weights, strict=True)]


def predict(bundle: Bundle, corners: Sequence[Corners]) -> tuple[Array, ...]:
    """(N, 2) px per photo: where the corners should be."""
    return tuple(
        project_camera_points(_points(bundle, seen) @ pose.R.T + pose.t_mm, bundle.lens)
        for seen, pose in zip(corners, bundle.poses, strict=True)
    )


def residuals(bundle: Bundle, corners: Sequence[Corners]) -> tuple[Array, ...]:
    """(N, 2) px per photo: measured minus predicted."""
    return tuple(seen.image_px - there for seen, there in zip(corners, predict(bundle, corners), strict=True))


def cost(bundle: Bundle, observations: Sequence[Observation], prior: Prior | None = None) -> float:
    """Weighted sum of squared residuals (plus the prior's share); inf for a point at or behind the camera."""
    camera = np.concatenate(
        [_points(bundle, s.corners) @ p.R.T + p.t_mm for s, p in zip(observations, bundle.poses, strict=True)]
    )
    if np.any(camera[:, 2] <= 0.0):
        return float("inf")
    image = np.concatenate([seen.corners.image_px for seen in observations])
    weight = np.concatenate([seen.weight for seen in observations])
    with np.errstate(over="ignore", invalid="ignore"):  # a wild trial step is turned down below
        apart = image - project_camera_points(camera, bundle.lens)
        total = float(np.sum(weight[:, None] * apart**2))
    if prior is not None:
        off = bundle.shared - prior.shared
        total += float(off @ prior.information @ off)
    return total if np.isfinite(total) else float("inf")


def normal_equations(
    bundle: Bundle, observations: Sequence[Observation], *, free: BoolArray, prior: Prior | None = None
) -> NormalEquations:
    """Linearise at a bundle; `free` (14,) says which shared terms may move."""
    n = int(np.count_nonzero(free))
    ends = np.cumsum([2 * len(seen.weight) for seen in observations])[:-1]
    parts = np.split(_rows(bundle, observations, free), ends)
    blocks = np.array([rows.T @ rows for rows in parts])  # a photo at a time: BLAS, unlike a stack of small products
    shared, shared_gradient = blocks[:, :n, :n].sum(axis=0), blocks[:, :n, -1].sum(axis=0)
    if prior is not None:
        shared = shared + prior.information[np.ix_(free, free)]
        shared_gradient = shared_gradient + (prior.information @ (prior.shared - bundle.shared))[free]
    return NormalEquations(
        shared=shared,
        cross=blocks[:, :n, n:-1],
        pose=blocks[:, n:-1, n:-1],
        shared_gradient=shared_gradient,
        pose_gradient=blocks[:, n:-1, -1],
    )


def _rows(bundle: Bundle, observations: Sequence[Observation], free: BoolArray) -> Array:
    """(2 N, F + 6 + 1), weighted: by the free shared terms, by the photo's own pose, and measured minus predicted."""
    seen, poses = [s.corners for s in observations], bundle.poses
    counts = [len(corners.image_px) for corners in seen]
    R = poses[0].R if len(poses) == 1 else np.repeat([p.R for p in poses], counts, axis=0)
    points = np.concatenate([_points(bundle, corners) for corners in seen])
    t_mm = np.repeat([p.t_mm for p in poses], counts, axis=0)
    predicted, by_lens, by_pose = project_with_jacobians(points, bundle.lens, R, t_mm)
    apart = np.concatenate([corners.image_px for corners in seen]) - predicted
    parts = [by_lens[..., free[:N_LENS]], by_pose, apart[..., None]]
    if (shape := free[N_LENS:]).any():  # a shift of the pose is a shift of the point, camera axes
        turned = [np.tensordot(c.bends[..., shape], p.R, (1, 1)) for c, p in zip(seen, poses, strict=True)]
        parts.insert(1, np.einsum("nij,nsj->nis", by_pose[..., 3:], np.concatenate(turned)))
    rows = np.concatenate(parts, axis=-1)
    rows *= np.sqrt(np.concatenate([s.weight for s in observations]))[:, None, None]
    return rows.reshape(-1, rows.shape[-1])


def _points(bundle: Bundle, corners: Corners) -> Array:
    """(N, 3) with the print's shape applied."""
    return corners.points_mm + (corners.bends.reshape(-1, N_SHAPE) @ bundle.shape).reshape(-1, 3)


def adjust(
    start: Bundle,
    observations: Sequence[Observation],
    *,
    free: BoolArray,
    prior: Prior | None = None,
    max_steps: int = _MAX_STEPS,
) -> Bundle:
    """Levenberg-Marquardt from `start`; shared terms that are not free keep their value.

    Raises
    ------
    MeasurementError
        When the start has a board behind the camera, or the equations are singular.
    """
    bundle, best, damping = start, cost(start, observations, prior), _FIRST_DAMPING
    if not np.isfinite(best):
        raise MeasurementError("the boards' poses give no valid start: a board is at or behind the camera")
    for _ in range(max_steps):
        equations = normal_equations(bundle, observations, free=free, prior=prior)
        while damping < _LARGEST_DAMPING:
            trial = _stepped(bundle, equations.damped(damping), free)
            trial_cost = cost(trial, observations, prior) if trial is not None else float("inf")
            if trial is not None and trial_cost <= best:
                break
            damping *= 10.0
        else:
            return bundle
        gain = best - trial_cost
        bundle, best, damping = trial, trial_cost, max(damping / 10.0, 1e-15)
        if gain <= _CONVERGED * best:
            return bundle
    return bundle


def _stepped(bundle: Bundle, equations: NormalEquations, free: BoolArray) -> Bundle | None:
    try:
        shared_step, pose_steps = equations.solve()
    except np.linalg.LinAlgError:
        return None
    shared = bundle.shared.copy()
    shared[free] += shared_step
    turns = rotation_from_vector(pose_steps[:, :3])
    poses = zip(bundle.poses, turns, pose_steps[:, 3:], strict=True)
    return Bundle(shared=shared, poses=tuple(Pose(R=turn @ p.R, t_mm=p.t_mm + shift) for p, turn, shift in poses))
