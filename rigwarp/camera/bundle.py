"""Least squares over one lens and the poses of many boards, with the poses eliminated by a Schur complement.

Per board the pose touches only that board's corners, so the normal equations are an arrow: a 9 x 9 block for the lens,
a 6 x 6 block per pose. Eliminating the poses costs nothing, and the inverse of what is left *is* the lens's covariance
with the poses marginalised (Triggs, McLauchlan, Hartley and Fitzgibbon, Bundle adjustment: a modern synthesis, 2000).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rigwarp.camera.projection import N_LENS, project_with_jacobians
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

    def moved(self, step: Array) -> "Pose":
        """By (6,) turn (rad) and shift (mm), camera axes."""
        return Pose(R=rotation_from_vector(step[:3]) @ self.R, t_mm=self.t_mm + step[3:])


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
    """Blocks of J^T W J and J^T W r for the free lens terms and each pose."""

    lens: Array
    cross: tuple[Array, ...]
    pose: tuple[Array, ...]
    lens_gradient: Array
    pose_gradient: tuple[Array, ...]

    def damped(self, damping: float) -> "NormalEquations":
        """Levenberg-Marquardt: diagonals raised by a share."""
        return replace(
            self,
            lens=self.lens + damping * np.diag(np.diag(self.lens)),
            pose=tuple(block + damping * np.diag(np.diag(block)) for block in self.pose),
        )

    def reduced(self) -> Array:
        """The lens block with the poses eliminated."""
        return self.lens - sum(
            (B @ np.linalg.solve(C, B.T) for B, C in zip(self.cross, self.pose, strict=True)), np.zeros_like(self.lens)
        )

    def solve(self) -> tuple[Array, tuple[Array, ...]]:
        """Steps of lens and poses that zero the linearised gradient."""
        right = self.lens_gradient.copy()
        for B, C, g in zip(self.cross, self.pose, self.pose_gradient, strict=True):
            right -= B @ np.linalg.solve(C, g)
        lens_step: Array = np.linalg.solve(self.reduced(), right) if right.size else right
        return lens_step, tuple(
            np.linalg.solve(C, g - B.T @ lens_step)
            for B, C, g in zip(self.cross, self.pose, self.pose_gradient, strict=True)
        )

    def covariance(self, photo: int | None) -> Array:
        """Unscaled covariance of the free lens terms, joined with the pose of one photo unless `photo` is None."""
        lens = _inverse(self.reduced())
        if photo is None:
            return lens
        pull = np.linalg.solve(self.pose[photo], self.cross[photo].T)
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
        seen.image_px - project_with_jacobians(seen.points_mm, bundle.lens, pose.R, pose.t_mm)[0]
        for seen, pose in zip(observations, bundle.poses, strict=True)
    )


def cost(bundle: Bundle, observations: Sequence[Observation], prior: LensPrior | None = None) -> float:
    """Weighted sum of squared residuals, px^2 (plus the prior's share); inf for a point at or behind the camera."""
    total = 0.0
    for seen, pose, apart in zip(observations, bundle.poses, residuals(bundle, observations), strict=True):
        if np.any((seen.points_mm @ pose.R.T + pose.t_mm)[:, 2] <= 0.0):
            return float("inf")
        total += float(np.sum(seen.weight[:, None] * apart**2))
    if prior is not None:
        off = bundle.lens - prior.lens
        total += float(off @ prior.information @ off)
    return total if np.isfinite(total) else float("inf")


def normal_equations(
    bundle: Bundle, observations: Sequence[Observation], *, free: BoolArray, prior: LensPrior | None = None
) -> NormalEquations:
    """Linearise at a bundle; `free` (9,) says which lens terms may move."""
    lens, lens_gradient = np.zeros((N_LENS, N_LENS)), np.zeros(N_LENS)
    cross, pose_blocks, pose_gradient = [], [], []
    for seen, pose in zip(observations, bundle.poses, strict=True):
        predicted, by_lens, by_pose = project_with_jacobians(seen.points_mm, bundle.lens, pose.R, pose.t_mm)
        root = np.sqrt(seen.weight)[:, None]
        apart = (root * (seen.image_px - predicted)).ravel()
        J = (root[..., None] * by_lens).reshape(-1, N_LENS)
        G = (root[..., None] * by_pose).reshape(len(J), -1)
        lens += J.T @ J
        lens_gradient += J.T @ apart
        cross.append((J.T @ G)[free])
        pose_blocks.append(G.T @ G)
        pose_gradient.append(G.T @ apart)
    if prior is not None:
        lens += prior.information
        lens_gradient += prior.information @ (prior.lens - bundle.lens)
    return NormalEquations(
        lens=lens[np.ix_(free, free)],
        cross=tuple(cross),
        pose=tuple(pose_blocks),
        lens_gradient=lens_gradient[free],
        pose_gradient=tuple(pose_gradient),
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
    return Bundle(lens=lens, poses=tuple(pose.moved(step) for pose, step in zip(bundle.poses, pose_steps, strict=True)))


def _inverse(matrix: Array) -> Array:
    """Inverse of a symmetric positive matrix whose entries have very different units."""
    if matrix.size == 0:
        return matrix
    scale = 1.0 / np.sqrt(np.diag(matrix))
    return np.linalg.inv(matrix * np.outer(scale, scale)) * np.outer(scale, scale)
