"""What an imperfectly known sheet does to a camera: errors of print scale and height are common to all corners."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rigwarp.camera.board import board_to_table
from rigwarp.camera.bundle import LensPrior, normal_equations, observe
from rigwarp.camera.projection import N_LENS, N_POSE, project_camera_points
from rigwarp.camera.robust import RobustFit
from rigwarp.geometry import Array, BoolArray
from rigwarp.rig.model import Target


@dataclass(frozen=True, kw_only=True)
class SheetSigma:
    """How well the printed sheet is known, 1-sigma.

    Attributes
    ----------
    scale : of each of target.scale's two factors.
        0.0005 is 0.1 mm on 200 mm: a steel rule read by eye.
    height_mm : of the printed surface over the table: thickness of the paper, and how flat it lies.
    """

    scale: float
    height_mm: float


STEEL_RULE = SheetSigma(scale=5e-4, height_mm=0.05)
"""A plain paper sheet, measured with a steel rule."""


def sheet_shifts_mm(
    boards: Sequence[Array], sheet_mm: Array, target: Target, *, height_mm: float, sigma: SheetSigma
) -> list[list[Array]]:
    """How all corners move for one sigma of each of: scale along x, scale along y, height.

    Parameters
    ----------
    boards : (N, 3) per photo of the hand-held board, board frame
    sheet_mm : (M, 3) corners of the sheet on the table, board frame

    Returns
    -------
    Per cause, per photo (the sheet's last): (N, 3) mm in the frame of that photo's pose.
    """
    lying = board_to_table(sheet_mm, target, height_mm=height_mm)
    causes = []
    for axis in range(2):
        growth = 1.0 + sigma.scale * np.eye(3)[axis]
        grown = replace(target, scale=(target.scale[0] * growth[0], target.scale[1] * growth[1]))
        moved = board_to_table(sheet_mm * growth, grown, height_mm=height_mm)
        causes.append([*(board * (growth - 1.0) for board in boards), moved - lying])
    raised = np.broadcast_to([0.0, 0.0, sigma.height_mm], lying.shape)
    causes.append([*(np.zeros_like(board) for board in boards), raised])
    return causes


def sheet_covariance(
    fit: RobustFit,
    corners: Sequence[tuple[Array, Array]],
    causes: Sequence[Sequence[Array]],
    *,
    free: BoolArray,
    prior: LensPrior | None,
) -> Array:
    """(15, 15) covariance of lens and last pose from causes that move all corners at once.

    Notes
    -----
    The least-squares answer shifts by H^-1 J^T W dp when the corners' predicted pixels shift by dp; independent causes
    add up as outer products (law of propagation of uncertainty, JCGM 100, 5.1).
    """
    if prior is not None:
        prior = LensPrior(lens=fit.bundle.lens, information=prior.information)
    weights = [kept / noise**2 for kept, noise in zip(fit.kept, fit.noise_px, strict=True)]
    total = np.zeros((N_LENS + N_POSE, N_LENS + N_POSE))
    for shifts in causes:
        moved = [
            project_camera_points((points + shift) @ pose.R.T + pose.t_mm, fit.bundle.lens)
            for (points, _), shift, pose in zip(corners, shifts, fit.bundle.poses, strict=True)
        ]
        seen = observe([(points, image) for (points, _), image in zip(corners, moved, strict=True)], weights)
        lens_step, pose_steps = normal_equations(fit.bundle, seen, free=free, prior=prior).solve()
        step = np.zeros(len(total))
        step[np.flatnonzero(free)] = lens_step
        step[N_LENS:] = pose_steps[-1]
        total += np.outer(step, step)
    return total
