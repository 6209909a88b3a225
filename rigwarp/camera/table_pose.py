"""Where the camera is over the table, from one photograph of the sheet that lies on it."""

from dataclasses import dataclass

import numpy as np

from rigwarp.camera.board import board_to_table
from rigwarp.camera.bundle import Bundle, LensPrior, Pose, adjust, cost, observe
from rigwarp.camera.detection import BoardView, Grey, detect_board
from rigwarp.camera.lens import LensResult, folds_inside
from rigwarp.camera.model import CameraModel
from rigwarp.camera.planar import MIN_CORNERS, planar_poses, spans_a_plane
from rigwarp.camera.projection import LENS_TERMS, N_LENS, N_POSE, lens_matrix
from rigwarp.camera.robust import RobustFit, fit_robustly
from rigwarp.camera.sheet import SheetSigma, sheet_covariance, sheet_shifts_mm
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
    camera : CameraModel
        With the joint covariance of lens and pose where the lens has one.
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


def locate_table(
    photo: Grey,
    lens: LensResult | CameraModel,
    target: Target,
    *,
    height_mm: float,
    sheet_sigma: SheetSigma | None = None,
) -> TablePose:
    """Locate the camera from one photo of the sheet on the table.

    Parameters
    ----------
    photo : (H, W) uint8 or uint16
        Of the size for which the lens holds.
    lens : LensResult or CameraModel
        With a LensResult the board photos and this one are adjusted together, so that the covariance of lens and pose
        is the joint one (and the lens changes by a fraction of its sigma). A CameraModel's lens is kept as prior
        knowledge with its covariance, or taken as exact when it has none.
    target : Target
        Where the sheet lies, and its true scale.
    height_mm : float
        Of the printed surface in the table frame.
    sheet_sigma : SheetSigma or None
        How well the print's scale and height are known; None leaves their share out of the covariance.

    Raises
    ------
    InputError
        The photo's size is not the lens's.
    MeasurementError
        The sheet is not found, or its pose is ambiguous.
    """
    return locate_table_from_view(
        detect_board(photo, target), lens, target, height_mm=height_mm, sheet_sigma=sheet_sigma
    )


def locate_table_from_view(
    view: BoardView,
    lens: LensResult | CameraModel,
    target: Target,
    *,
    height_mm: float,
    sheet_sigma: SheetSigma | None = None,
) -> TablePose:
    """The same from corners that were already found."""
    _check_view(view, lens)
    table_mm = board_to_table(view.object_mm, target, height_mm=height_mm)
    start, margin = _pose_above_table(table_mm, view.image_px, lens.lens, height_mm)
    joint = _joint_fit(lens, start, table_mm, view.image_px)
    fit = joint.fit
    pose, kept = fit.bundle.poses[-1], fit.kept[-1]
    if kept.sum() < MIN_CORNERS or kept.mean() < 0.5:
        raise MeasurementError(
            f"only {kept.sum()} of {view.n} corners of the sheet on the table fit the lens: is the sheet flat, and is "
            "this photo from the same camera at the same zoom and focus as those of the board?"
        )
    covariance = _joint_covariance(joint) if _knows_its_lens(lens) else None
    if covariance is not None and sheet_sigma is not None:
        boards = [points for points, _ in joint.corners[:-1]]
        causes = sheet_shifts_mm(boards, view.object_mm, target, height_mm=height_mm, sigma=sheet_sigma)
        covariance += sheet_covariance(fit, joint.corners, causes, free=joint.free, prior=joint.prior)
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
    if not spans_a_plane(view.object_mm):
        raise MeasurementError(
            f"{view.n} corners of the sheet on the table found, at least {MIN_CORNERS} (not on one line) are needed: "
            "is the whole sheet in the picture, evenly lit and sharp, and does [target] in rig.toml describe it?"
        )


def _pose_above_table(table_mm: Array, image_px: Array, lens: Array, height_mm: float) -> tuple[Pose, float]:
    """The refined pose with the camera above the sheet, and by how much (chi-squared) it beats the other one."""
    seen = observe([(table_mm, image_px)], [np.full(len(image_px), 1.0 / _NOISE_PX**2)])
    found: list[tuple[float, Pose]] = []
    for pose in planar_poses(table_mm, image_px, lens):
        refined = adjust(Bundle(lens=lens, poses=(pose,)), seen, free=np.zeros(N_LENS, bool))
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
    margin = (others[0] - best_cost) / max(best_cost / (2 * len(image_px)), 1.0) if others else float("inf")
    if margin < _DECISIVE:
        raise MeasurementError(
            "two positions of the camera explain the photo of the sheet equally well: the sheet is too small in the "
            "picture. Move the camera closer or to one side, or use a larger sheet"
        )
    return best, margin


@dataclass(frozen=True, kw_only=True)
class _JointFit:
    """A fit of lens and table pose, the photo of the table last, with what went into it."""

    fit: RobustFit
    corners: tuple[tuple[Array, Array], ...]
    free: BoolArray
    prior: LensPrior | None


def _joint_fit(lens: LensResult | CameraModel, start: Pose, table_mm: Array, image_px: Array) -> _JointFit:
    """Adjust lens and table pose together with whatever the lens was made from."""
    corners = [(table_mm, image_px)]
    poses: tuple[Pose, ...] = (start,)
    prior = None
    if isinstance(lens, LensResult):
        free = np.array([name in lens.terms for name in LENS_TERMS])
        boards = zip(lens.views, lens.fit.kept, strict=True)
        corners = [*((view.object_mm[kept], view.image_px[kept]) for view, kept in boards), *corners]
        poses = (*lens.fit.bundle.poses, start)
    else:
        prior, free = _prior(lens)
    fit = fit_robustly(Bundle(lens=lens.lens, poses=poses), corners, free=free, prior=prior)
    return _JointFit(fit=fit, corners=tuple(corners), free=free, prior=prior)


def _prior(camera: CameraModel) -> tuple[LensPrior | None, BoolArray]:
    """A camera's lens as prior knowledge; terms without a variance are taken as exact."""
    if camera.covariance is None:
        return None, np.zeros(N_LENS, bool)
    covariance = camera.covariance[:N_LENS, :N_LENS]
    free = np.diag(covariance) > 0.0
    scale = 1.0 / np.sqrt(np.diag(covariance)[free])
    information = np.zeros((N_LENS, N_LENS))
    inverse = np.linalg.inv(covariance[np.ix_(free, free)] * np.outer(scale, scale))
    information[np.ix_(free, free)] = inverse * np.outer(scale, scale)
    return LensPrior(lens=camera.lens, information=information), free


def _knows_its_lens(lens: LensResult | CameraModel) -> bool:
    """Whether the uncertainty of the lens is known: without it, that of the pose would be a pretence."""
    return isinstance(lens, LensResult) or lens.covariance is not None


def _joint_covariance(joint: _JointFit) -> Array:
    """(15, 15) from the corners' noise, zero for lens terms that were not estimated."""
    estimated = np.concatenate([joint.free, np.ones(N_POSE, bool)])
    covariance = np.zeros((N_LENS + N_POSE, N_LENS + N_POSE))
    block = joint.fit.equations.covariance(len(joint.corners) - 1)
    covariance[np.ix_(estimated, estimated)] = (block + block.T) / 2
    return covariance


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
