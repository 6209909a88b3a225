"""Where the camera is over the table, from one photograph of the sheet that lies on it."""

from dataclasses import dataclass

import numpy as np

from rigwarp.camera.boards.board import board_to_table
from rigwarp.camera.boards.board_shape import N_SHAPE, PLAIN_PRINT, SheetSigma, board_bends
from rigwarp.camera.boards.detection import BoardView
from rigwarp.camera.boards.sheet import sheet_causes, sheet_covariance
from rigwarp.camera.lens.bundle import N_SHARED, Bundle, Corners, Pose, Prior, adjust, cost, observe
from rigwarp.camera.lens.calibrate import LensResult, board_corners, free_terms, shape_prior
from rigwarp.camera.lens.judgement import folds_inside
from rigwarp.camera.lens.robust import RobustFit, fit_robustly
from rigwarp.camera.model import CameraModel
from rigwarp.camera.projection import N_LENS, N_POSE, lens_matrix
from rigwarp.camera.table.planar import MIN_CORNERS, planar_poses, spans_a_plane
from rigwarp.errors import InputError, MeasurementError
from rigwarp.geometry import Array, BoolArray
from rigwarp.rig.model import Target

_DECISIVE = 25.0  # chi-squared by which the pose chosen must beat the other one: 5 sigma
_WANTED_SHARE = 0.5  # of the sheet's corners found: below, part of it is hidden
_NOISE_PX = 0.1  # assumed corner noise while the two poses are compared; the final fit measures it


@dataclass(frozen=True, kw_only=True)
class TablePose:
    """A camera located over the table, and what is needed to judge it.

    Attributes
    ----------
    camera : with the joint covariance of lens and pose where the lens has one.
    view : the sheet's corners in the photo; table_mm : (N, 3) where they lie.
    residual_px : (N, 2) measured minus predicted; kept : (N,) False for corners left out.
    rms_px : RMS length of the residuals of the corners kept.
    noise_px : 1-sigma of a corner per axis.
    other_pose_chi_squared : by how much the other pose that a flat sheet allows fits worse; inf when there is none.
    warnings : what makes the result weaker than it could be, and what to do about it.
    """

    camera: CameraModel
    view: BoardView
    table_mm: Array
    residual_px: Array
    kept: BoolArray
    rms_px: float
    noise_px: float
    other_pose_chi_squared: float
    warnings: tuple[str, ...]


def locate_table_from_view(
    view: BoardView,
    lens: LensResult | CameraModel,
    target: Target,
    *,
    height_mm: float,
    sheet_sigma: SheetSigma = PLAIN_PRINT,
) -> TablePose:
    """Locate the camera from one photo of the sheet on the table.

    Parameters
    ----------
    view : what `detect_board` found in it; the photo is of the size for which the lens holds.
    lens : LensResult or CameraModel
        With a LensResult the board photos and this one are adjusted together, so that the covariance of lens and pose
        is the joint one (and the lens changes by a fraction of its sigma). A CameraModel's lens is kept as prior
        knowledge with its covariance, or taken as exact when it has none.
    target : where the sheet lies, and its true scale.
    height_mm : of the printed surface in the table frame.
    sheet_sigma : SheetSigma
        How well the sheet on the table is known: its share is part of the covariance. The sheet and the board in the
        hand are taken for prints of one printer, equally long and equally square.

    Raises
    ------
    InputError
        The photo's size is not the lens's.
    MeasurementError
        The sheet is not found, mirrored or hardly seen, or its pose is ambiguous.
    """
    _check_view(view, lens)
    table_mm = board_to_table(view.object_mm, target, height_mm=height_mm)
    axes = board_to_table(np.eye(3), target, height_mm=0.0) - board_to_table(np.zeros(3), target, height_mm=0.0)
    bends = axes.T @ board_bends(view.object_mm, view.size_mm, flat=True)
    sheet = Corners(points_mm=table_mm, image_px=view.image_px, bends=bends)
    shape = lens.shape if isinstance(lens, LensResult) else np.zeros(N_SHAPE)
    start, margin = _pose_above_table(sheet, np.concatenate([lens.lens, shape]), height_mm)
    fit, corners, free, prior = _joint_fit(lens, start, sheet)
    pose, kept = fit.bundle.poses[-1], fit.kept[-1]
    if kept.sum() < MIN_CORNERS or kept.mean() < 0.5:
        raise MeasurementError(
            f"only {kept.sum()} of {view.n} corners of the sheet on the table fit the lens: is the sheet flat, and is "
            "this photo from the same camera at the same zoom and focus as those of the board?"
        )
    covariance = None  # where the lens's uncertainty is not known, that of the pose would be a pretence
    if isinstance(lens, LensResult) or lens.covariance is not None:
        causes = sheet_causes(corners, target.centre_mm, sheet_sigma, shape_known=bool(free[N_LENS:][:2].all()))
        by_sheet = sheet_covariance(fit, corners, causes, free=free, prior=prior)
        covariance = _joint_covariance(fit, free) + by_sheet
    return TablePose(
        camera=CameraModel(
            resolution=view.resolution,
            matrix=lens_matrix(fit.bundle.lens),
            distortion=fit.bundle.lens[4:],
            R_camera_from_table=pose.R,
            t_camera_from_table_mm=pose.t_mm,
            covariance=covariance,
        ),
        view=view,
        table_mm=table_mm,
        residual_px=fit.residual_px[-1],
        kept=kept,
        rms_px=float(fit.view_rms_px[-1]),
        noise_px=float(fit.noise_px[-1]),
        other_pose_chi_squared=margin,
        warnings=_warnings(view, target, fit, folds=folds_inside(fit.bundle.lens, view.resolution)),
    )


def _check_view(view: BoardView, lens: LensResult | CameraModel) -> None:
    if view.resolution != tuple(lens.resolution):
        raise InputError(
            f"the photo of the sheet on the table is {view.resolution[0]} x {view.resolution[1]} pixels, the lens was "
            f"calibrated at {lens.resolution[0]} x {lens.resolution[1]}: use the camera at one and the same setting"
        )
    if view.mirrored:
        raise MeasurementError(
            "the sheet on the table is there only in mirror image: switch off the camera's mirror mode and take all "
            "photos again"
        )
    if view.oddity:
        raise MeasurementError(f"the photo of the sheet on the table: {view.oddity}")
    if not spans_a_plane(view.object_mm):
        raise MeasurementError(
            f"{view.n} corners of the sheet on the table found, at least {MIN_CORNERS} (not on one line) are needed: "
            "is the whole sheet in the picture, evenly lit and sharp, and does [target] in rig.toml describe it?"
        )


def _pose_above_table(sheet: Corners, shared: Array, height_mm: float) -> tuple[Pose, float]:
    """The refined pose with the camera above the sheet, and by how much (chi-squared) it beats the other one."""
    seen = observe([sheet], [np.full(len(sheet.image_px), 1.0 / _NOISE_PX**2)])
    found: list[tuple[float, Pose]] = []
    for pose in planar_poses(sheet.points_mm, sheet.image_px, shared[:N_LENS]):
        refined = adjust(Bundle(shared=shared, poses=(pose,)), seen, free=np.zeros(N_SHARED, bool))
        (pose,) = refined.poses
        if (-pose.R.T @ pose.t_mm)[2] > height_mm:
            found.append((cost(refined, seen), pose))
    if not found:
        raise MeasurementError(
            "the photo of the sheet fits no camera above the table: [target] in rig.toml does not describe this sheet, "
            "or it lies with its print downwards"
        )
    found.sort(key=lambda entry: entry[0])
    best_cost, best = found[0]
    others = [misfit for misfit, pose in found[1:] if not np.allclose(pose.R, best.R, atol=1e-6)]
    margin = (others[0] - best_cost) / max(best_cost / (2 * len(sheet.image_px)), 1.0) if others else float("inf")
    if margin < _DECISIVE:
        raise MeasurementError(
            "two positions of the camera explain the photo of the sheet equally well: the sheet is too small in the "
            "picture. Move the camera closer or to one side, or use a larger sheet"
        )
    return best, margin


def _joint_fit(
    lens: LensResult | CameraModel, start: Pose, sheet: Corners
) -> tuple[RobustFit, list[Corners], BoolArray, Prior | None]:
    """Lens and table pose adjusted together with whatever the lens was made from, and what went in, the sheet last."""
    corners, poses = [sheet], [start]
    if isinstance(lens, LensResult):
        boards = zip(lens.views, lens.fit.kept, strict=True)
        corners = [*(board_corners(view).only(kept) for view, kept in boards), sheet]
        poses = [*lens.fit.bundle.poses, start]
        shared, free = lens.fit.bundle.shared, free_terms(lens.terms, lens.sheet_sigma)
        prior: Prior | None = shape_prior(lens.sheet_sigma)
    else:
        shared = np.concatenate([lens.lens, np.zeros(N_SHAPE)])
        prior, free = _lens_prior(lens)
    fit = fit_robustly(Bundle(shared=shared, poses=tuple(poses)), corners, free=free, prior=prior)
    return fit, corners, free, prior


def _lens_prior(camera: CameraModel) -> tuple[Prior | None, BoolArray]:
    """A camera's lens as prior knowledge; terms without a variance are taken as exact, and so is the print's shape."""
    free = np.zeros(N_SHARED, bool)
    if camera.covariance is None:
        return None, free
    variances = np.diag(camera.covariance)[:N_LENS]
    free[:N_LENS] = variances > 0.0
    chosen = np.flatnonzero(free)
    scale = 1.0 / np.sqrt(variances[chosen])
    information = np.zeros((N_SHARED, N_SHARED))
    inverse = np.linalg.inv(camera.covariance[np.ix_(chosen, chosen)] * np.outer(scale, scale))
    information[np.ix_(chosen, chosen)] = inverse * np.outer(scale, scale)
    return Prior(shared=np.concatenate([camera.lens, np.zeros(N_SHAPE)]), information=information), free


def _joint_covariance(fit: RobustFit, free: BoolArray) -> Array:
    """(15, 15) from the corners' noise, the print's shape marginalised; zero for lens terms that were not estimated."""
    estimated = np.flatnonzero(np.concatenate([free, np.ones(N_POSE, bool)]))
    everything = np.zeros((N_SHARED + N_POSE, N_SHARED + N_POSE))
    everything[np.ix_(estimated, estimated)] = fit.equations.covariance(len(fit.kept) - 1)
    wanted = np.r_[:N_LENS, N_SHARED : N_SHARED + N_POSE]
    covariance = everything[np.ix_(wanted, wanted)]
    return (covariance + covariance.T) / 2


def _warnings(view: BoardView, target: Target, fit: RobustFit, *, folds: bool) -> tuple[str, ...]:
    found = []
    n_all = (target.squares[0] - 1) * (target.squares[1] - 1)
    if view.n < _WANTED_SHARE * n_all:
        found.append(f"{view.n} of the sheet's {n_all} corners found on the table: uncover it, or light it evenly")
    others = fit.noise_px[:-1]
    if len(others) and fit.noise_px[-1] > 2.0 * float(np.median(others)):
        found.append(
            f"the corners on the table scatter by {fit.noise_px[-1]:.2f} px, those on the board by "
            f"{np.median(others):.2f} px: the sheet may not lie flat, or the photo is less sharp"
        )
    if folds:
        found.append("the lens model folds back inside the frame: take board photos that reach into its corners")
    return tuple(found)
