"""What an imperfectly known sheet does to a camera, where no photo can tell: mean print scale and height.

These move all corners at once, so they never average out; with hand-held photos, the shape of the print is estimated.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rigwarp.camera.boards.board_shape import SheetSigma
from rigwarp.camera.lens.bundle import N_SHARED, Corners, Prior, normal_equations, observe, predict
from rigwarp.camera.lens.robust import RobustFit
from rigwarp.camera.projection import N_LENS, N_POSE
from rigwarp.geometry import Array, BoolArray


def sheet_causes(
    corners: Sequence[Corners], centre_mm: Array, sigma: SheetSigma, *, shape_known: bool
) -> list[list[Array]]:
    """How all corners move for one sigma of each thing that the photos do not tell.

    Parameters
    ----------
    corners : per photo, the sheet on the table last
    centre_mm : (2,) where the sheet's centre lies
    shape_known : whether the fit estimates aspect and squareness; without, they count as causes too.

    Returns
    -------
    Per cause, per photo: (N, 3) mm in the world of that photo's pose.
    """
    *boards, sheet = corners
    still = [np.zeros_like(board.points_mm) for board in boards]
    in_plane = np.array([1.0, 1.0, 0.0])
    grown = sigma.mean_scale * (sheet.points_mm - [*centre_mm, 0.0]) * in_plane
    causes = [[*(sigma.mean_scale * board.points_mm * in_plane for board in boards), grown]]
    causes.append([*still, np.broadcast_to([0.0, 0.0, sigma.height_mm], sheet.points_mm.shape)])
    if not shape_known:
        causes += [[*still, sheet.bends[..., term] * sigma.shape[term]] for term in (0, 1)]
    return causes


def sheet_covariance(
    fit: RobustFit,
    corners: Sequence[Corners],
    causes: Sequence[Sequence[Array]],
    *,
    free: BoolArray,
    prior: Prior | None,
) -> Array:
    """(15, 15) covariance of lens and last pose from causes that move all corners at once.

    Notes
    -----
    The least-squares answer shifts by H^-1 J^T W dp when the corners' predicted pixels shift by dp; independent causes
    add up as outer products (law of propagation of uncertainty, JCGM 100, 5.1).
    """
    if prior is not None:
        prior = Prior(shared=fit.bundle.shared, information=prior.information)
    weights = [kept / noise**2 for kept, noise in zip(fit.kept, fit.noise_px, strict=True)]
    total = np.zeros((N_LENS + N_POSE, N_LENS + N_POSE))
    for shifts in causes:
        moved = [replace(seen, points_mm=seen.points_mm + d) for seen, d in zip(corners, shifts, strict=True)]
        images = predict(fit.bundle, moved)
        seen_so = [replace(seen, image_px=image) for seen, image in zip(corners, images, strict=True)]
        equations = normal_equations(fit.bundle, observe(seen_so, weights), free=free, prior=prior)
        shared_step, pose_steps = equations.solve()
        shared = np.zeros(N_SHARED)
        shared[free] = shared_step
        step = np.concatenate([shared[:N_LENS], pose_steps[-1]])
        total += np.outer(step, step)
    return total
