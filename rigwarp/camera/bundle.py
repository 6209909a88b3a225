"""Least squares over one lens and the poses of many boards, with the poses eliminated by a Schur complement.

Per board the pose touches only that board's corners, so the normal equations are an arrow: a 9 x 9 block for the lens,
a 6 x 6 block per pose. Eliminating the poses costs nothing, and the inverse of what is left *is* the lens's covariance
with the poses marginalised (Triggs, McLauchlan, Hartley and Fitzgibbon, Bundle adjustment: a modern synthesis, 2000).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rigwarp.camera.projection import N_POSE, project_camera_points, project_with_jacobians
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray, rotation_from_vector

_MAX_STEPS = 60
_CONVERGED = 1e-12  # relative gain of the sum of squares
_FIRST_DAMPING = 1e-4
_LARGEST_DAMPING = 1e12


@dataclass(frozen=True, kw_only=True)
class Observation:
    """One photo's corners: (N, 3) mm in the world of its pose, (N, 2) px, and (N,) weights (0 = left out)."""

    points_mm: Array
    image_px: Array
    weight: Array


@dataclass(frozen=True, kw_only=True)
class Pose:
    """X_camera = R X + t."""

    R: Array
    t_mm: Array


@dataclass(frozen=True, kw_only=True)
class LensPrior:
    """What is known of the lens beforehand: a mean (9,) and an information matrix (9, 9)."""

    lens: Array
    information: Array


@dataclass(frozen=True, kw_only=True)
class Bundle:
    """A lens (9,) and one pose per photo."""

    lens: Array
    poses: tuple[Pose, ...]


@dataclass(frozen=True, kw_only=True)
class NormalEquations:
    """Blocks of J^T W J and J^T W r for F free lens terms and V poses.

    Attributes
    ----------
    lens : (F, F); cross : (V, F, 6); pose : (V, 6, 6); lens_gradient : (F,); pose_gradient : (V, 6)
    """

    lens: Array
    cross: Array
    pose: Array
    lens_gradient: Array
    pose_gradient: Array

    def damped(self, damping: float) -> "NormalEquations":
        """Levenberg-Marquardt: diagonals raised by a share."""
        raised = 1.0 + damping * np.eye(N_POSE)
        return replace(self, lens=self.lens * (1.0 + damping * np.eye(len(self.lens))), pose=self.pose * raised)

    def reduced(self) -> Array:
        """(F, F) the lens block with the poses eliminated."""
        return self.lens - np.sum(self.cross @ _solve(self.pose, _transposed(self.cross)), axis=0)

    def solve(self) -> tuple[Array, Array]:
        """Steps of lens (F,) and poses (V, 6) that zero the linearised gradient."""
        gradient = self.pose_gradient[..., None]
        right = self.lens_gradient - np.sum(self.cross @ _solve(self.pose, gradient), axis=0)[:, 0]
        lens_step = _solve(self.reduced(), right)
        pulled = gradient - _transposed(self.cross) @ lens_step[:, None]
        return lens_step, _solve(self.pose, pulled)[..., 0]

    def covariance(self, photo: int | None) -> Array:
        """Unscaled covariance of the free lens terms, joined with the pose of one photo unless `photo` is None."""
        lens = _inverse(self.reduced())
        if photo is None:
            return lens
        pull = _solve(self.pose[photo], self.cross[photo].T)
        cross = -lens @ pull.T
        return np.block([[lens, cross], [cross.T, _inverse(self.pose[photo]) + pull @ lens @ pull.T]])


def observe(corners: Sequence[tuple[Array, Array]], weights: Sequence[Array]) -> list[Observation]:
    """Corners, as (points mm, pixels) per photo, with their weights."""
    return [
        Observation(points_mm=points, image_px=image, weight=weight)
        for (points, image), weight in zip(corners, weights, strict=True)
    ]


def residuals(bundle: Bundle, observations: Sequence[Observation]) -> tuple[Array, ...]:
    """(N, 2) px per photo: measured minus predicted, unweighted."""
    return tuple(
        seen.image_px - project_camera_points(seen.points_mm @ pose.R.T + pose.t_mm, bundle.lens)
        for seen, pose in zip(observations, bundle.poses, strict=True)
    )


def cost(bundle: Bundle, observations: Sequence[Observation], prior: LensPrior | None = None) -> float:
    """Weighted sum of squared residuals, px^2 (plus the prior's share); inf for a point at or behind the camera."""
    points, image, weight, R, t = _stacked(bundle, observations)
    camera = (R @ points[..., None])[..., 0] + t
    if np.any(camera[:, 2] <= 0.0):
        return float("inf")
    with np.errstate(over="ignore", invalid="ignore"):  # a wild trial step is turned down below
        apart = image - project_camera_points(camera, bundle.lens)
        total = float(np.sum(weight[:, None] * apart**2))
    if prior is not None:
        off = bundle.lens - prior.lens
        total += float(off @ prior.information @ off)
    return total if np.isfinite(total) else float("inf")


def normal_equations(
    bundle: Bundle, observations: Sequence[Observation], *, free: BoolArray, prior: LensPrior | None = None
) -> NormalEquations:
    """Linearise at a bundle; `free` (9,) says which lens terms may move."""
    points, image, weight, R, t = _stacked(bundle, observations)
    predicted, by_lens, by_pose = project_with_jacobians(points, bundle.lens, R, t)
    root = np.sqrt(weight)[:, None]
    apart = (root * (image - predicted))[..., None]
    J, G = root[..., None] * by_lens, root[..., None] * by_pose
    firsts = np.cumsum([0, *(len(seen.weight) for seen in observations[:-1])])
    lens = np.sum(_transposed(J) @ J, axis=0)
    lens_gradient = np.sum(_transposed(J) @ apart, axis=0)[:, 0]
    if prior is not None:
        lens = lens + prior.information
        lens_gradient = lens_gradient + prior.information @ (prior.lens - bundle.lens)
    return NormalEquations(
        lens=lens[np.ix_(free, free)],
        cross=np.add.reduceat(_transposed(J[..., free]) @ G, firsts, axis=0),
        pose=np.add.reduceat(_transposed(G) @ G, firsts, axis=0),
        lens_gradient=lens_gradient[free],
        pose_gradient=np.add.reduceat(_transposed(G) @ apart, firsts, axis=0)[..., 0],
    )


def adjust(
    start: Bundle,
    observations: Sequence[Observation],
    *,
    free: BoolArray,
    prior: LensPrior | None = None,
    max_steps: int = _MAX_STEPS,
) -> Bundle:
    """Levenberg-Marquardt from `start`; lens terms that are not free keep their value.

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
        lens_step, pose_steps = equations.solve()
    except np.linalg.LinAlgError:
        return None
    lens = bundle.lens.copy()
    lens[free] += lens_step
    turns = rotation_from_vector(pose_steps[:, :3])
    poses = zip(bundle.poses, turns, pose_steps[:, 3:], strict=True)
    return Bundle(lens=lens, poses=tuple(Pose(R=turn @ p.R, t_mm=p.t_mm + shift) for p, turn, shift in poses))


def _stacked(bundle: Bundle, observations: Sequence[Observation]) -> tuple[Array, Array, Array, Array, Array]:
    """All photos' points, pixels and weights in a row, with each point's R and t."""
    counts = [len(seen.weight) for seen in observations]
    return (
        np.concatenate([seen.points_mm for seen in observations]),
        np.concatenate([seen.image_px for seen in observations]),
        np.concatenate([seen.weight for seen in observations]),
        np.repeat([pose.R for pose in bundle.poses], counts, axis=0),
        np.repeat([pose.t_mm for pose in bundle.poses], counts, axis=0),
    )


def _transposed(blocks: Array) -> Array:
    return np.swapaxes(blocks, -1, -2)


def _solve(matrix: Array, right: Array) -> Array:
    return np.asarray(np.linalg.solve(matrix, right), np.float64)


def _inverse(matrix: Array) -> Array:
    """Inverse of a symmetric positive matrix whose entries have very different units."""
    if matrix.size == 0:
        return matrix
    scale = 1.0 / np.sqrt(np.diag(matrix))
    return np.linalg.inv(matrix * np.outer(scale, scale)) * np.outer(scale, scale)
