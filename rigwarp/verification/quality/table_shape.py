"""A table that is not flat, seen in one photograph of the printed sheet that lies on it.

Every position on the table rests on the camera's table plane. Where the table is bowed, the camera takes a raised spot
for one further away, and no check that uses the same plane can notice. A printed sheet can: it follows the table, and
its corners lie where they were printed, so what a flat sheet leaves of their picture is the height of the table times
the slant at which the camera looks there. Heights of the second to fourth order are estimated together with the
camera's pose and, as far as its calibration left that open, its lens; plane and tilt belong to the pose.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import RectBivariateSpline

from rigwarp.camera import CameraModel
from rigwarp.camera.boards.board import board_to_table
from rigwarp.camera.boards.detection import BoardView
from rigwarp.camera.projection import N_LENS, N_POSE, lens_matrix, project_with_jacobians
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, at_height
from rigwarp.geometry.robust import HUBER_CLOSE, huber_cost, normal_prior, robust_least_squares, sigma_per_axis
from rigwarp.rig import Table, inside_table
from rigwarp.rig.model import Target
from rigwarp.verification.drift.camera_motion import moved_camera

TERMS = tuple((i, order - i) for order in (2, 3, 4) for i in range(order, -1, -1))
"""Powers of x and y over the table's half sides."""
_N_CAMERA = N_LENS + N_POSE
_PRIOR_MM = {2: 1.0, 3: 0.05, 4: 0.05}  # 1-sigma by order: boards and cloths bend most over their whole size
_POSE_PRIOR = np.repeat([0.05, 50.0], 3)  # rad, mm: next to nothing, the sheet tells
_LENS_FLOOR_PX = 0.02  # what no five-term lens gets right, common to neighbouring corners
_ROUNDS = 8
_FEWEST = 20  # corners: twelve heights and a pose want two numbers each
_SIGNIFICANT = 20.0  # chi-squared gained; on flat tables, with heights held by the prior, it stays below 10
_WORTH_MM = 0.02  # rms shift on the table that is worth correcting
_FOLLOW = 6  # each round of meeting the surface gains two digits
_NODES = 25
_BEYOND = 1.1  # the correction is worked out over the table and this much more


@dataclass(frozen=True, kw_only=True)
class TableShape:
    """Heights of the table above its plane, and the camera that goes with them.

    Attributes
    ----------
    camera : the flat table's camera, for which positions on the table were worked out.
    camera_change : (15,) by which the camera's lens (9, within what is known of it), turn and shift change once the
        table may be bowed.
    half_mm : (2,) half the table's sides: the unit of the powers.
    height_mm : of the plane.
    coefficients_mm : (12,) of `TERMS`.
    covariance : (27, 27) of camera change and coefficients.
    gained : chi-squared that heights explain and a flat table does not.
    rms_mm : rms shift of positions over the table.
    bow_mm : highest minus lowest point over the table.
    flat_px, left_px : rms of the corners' residuals with a flat table, and with this one.
    astray_px : by how much the sheet lies elsewhere than the flat table's camera has it, rms.
    """

    camera: CameraModel
    camera_change: Array
    half_mm: tuple[float, float]
    height_mm: float
    coefficients_mm: Array
    covariance: Array
    gained: float
    rms_mm: float
    bow_mm: float
    flat_px: float
    left_px: float
    astray_px: float

    @property
    def significant(self) -> bool:
        """Whether the table is bowed beyond the photograph's noise, and enough to be worth a correction."""
        return self.gained > _SIGNIFICANT and self.rms_mm > _WORTH_MM

    def heights_mm(self, table_mm: Array) -> Array:
        """(...,) heights above the plane at (..., 2) places."""
        return powers(table_mm, self.half_mm) @ self.coefficients_mm

    def correction(self) -> "ShapeCorrection":
        """By how much positions worked out with the flat table have to be moved."""
        x, y = (np.linspace(-_BEYOND * half, _BEYOND * half, _NODES) for half in self.half_mm)
        grid = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1)
        unknowns = np.concatenate([self.camera_change, self.coefficients_mm])
        shift = _shift(self, unknowns, grid)
        variance = np.zeros(grid.shape[:2])
        values, vectors = np.linalg.eigh(self.covariance)
        for value, vector in zip(values, vectors.T, strict=True):
            step = np.sqrt(max(float(value), 0.0)) * vector
            variance += np.sum((_shift(self, unknowns + step, grid) - shift) ** 2, axis=-1) / 2.0
        return ShapeCorrection(
            x=RectBivariateSpline(x, y, np.nan_to_num(shift[..., 0])),
            y=RectBivariateSpline(x, y, np.nan_to_num(shift[..., 1])),
            sigma=RectBivariateSpline(x, y, np.nan_to_num(np.sqrt(variance)), kx=1, ky=1),
        )


@dataclass(frozen=True, kw_only=True)
class ShapeCorrection:
    """Smooth shifts of positions on the table."""

    x: RectBivariateSpline
    y: RectBivariateSpline
    sigma: RectBivariateSpline

    def at(self, table_mm: Array) -> Array:
        """(..., 2) shift of (..., 2) places; NaN stays NaN."""
        return np.stack([_evaluated(self.x, table_mm), _evaluated(self.y, table_mm)], axis=-1)

    def sigma_mm(self, table_mm: Array) -> Array:
        """(...,) 1-sigma per axis of the shift."""
        return _evaluated(self.sigma, table_mm)


def fit_table_shape(view: BoardView, camera: CameraModel, target: Target, table: Table) -> TableShape:
    """Estimate the table's heights from the sheet's corners.

    Parameters
    ----------
    view : corners of the sheet on the table, see `detect_board`.
    camera : calibrated with a flat table.
    target, table : where the sheet lies, and on what.

    Raises
    ------
    MeasurementError
        When fewer than twenty corners are seen.
    """
    if view.n < _FEWEST:
        raise MeasurementError(
            f"{view.n} corners of the sheet on the table found, at least {_FEWEST} needed to see whether it is flat: "
            "is the whole sheet in the picture, evenly lit and sharp?"
        )
    points = board_to_table(view.object_mm, target, height_mm=table.height_mm)
    half = (table.size_mm[0] / 2.0, table.size_mm[1] / 2.0)
    rise = powers(points[:, :2], half)
    fitter = _Fitter(camera, points, rise, view.image_px)
    flat = fitter.fit(bowed=False, noise_px=None)
    bowed = fitter.fit(bowed=True, noise_px=None)
    noise = float(np.hypot(bowed.noise_px, _LENS_FLOOR_PX))
    flat, bowed = fitter.fit(bowed=False, noise_px=noise), fitter.fit(bowed=True, noise_px=noise)
    # What this one photograph alone would change about a flat table's camera (its print is not quite square, say) is
    # left aside: only what heights change counts. The variance of the difference of nested fits is that of the wider
    # one less that of the narrower one.
    covariance = bowed.covariance.copy()
    covariance[:_N_CAMERA, :_N_CAMERA] -= flat.covariance[:_N_CAMERA, :_N_CAMERA]
    shape = TableShape(
        camera=camera,
        camera_change=bowed.unknowns[:_N_CAMERA] - flat.unknowns[:_N_CAMERA],
        half_mm=half,
        height_mm=table.height_mm,
        coefficients_mm=bowed.unknowns[_N_CAMERA:],
        covariance=covariance,
        gained=flat.cost - bowed.cost,
        rms_mm=float("nan"),
        bow_mm=float("nan"),
        flat_px=flat.rms_px,
        left_px=bowed.rms_px,
        astray_px=fitter.astray_px(flat.unknowns),
    )
    grid = np.stack(np.meshgrid(*(side * np.linspace(-0.96, 0.96, 25) for side in half)), axis=-1).reshape(-1, 2)
    spots = grid[inside_table(table, grid)]
    moved = shape.correction().at(spots)
    heights = shape.heights_mm(spots)
    return replace(shape, rms_mm=float(np.sqrt(np.mean(np.sum(moved**2, axis=-1)))), bow_mm=float(np.ptp(heights)))


def powers(table_mm: Array, half_mm: tuple[float, float]) -> Array:
    """(..., 12) values of `TERMS` at (..., 2) places."""
    x, y = np.moveaxis(np.asarray(table_mm, float) / half_mm, -1, 0)
    return np.stack([x**i * y**j for i, j in TERMS], axis=-1)


@dataclass(frozen=True, kw_only=True)
class _Fit:
    unknowns: Array
    covariance: Array
    cost: float
    rms_px: float
    noise_px: float


class _Fitter:
    """Fits lens (9), pose (6) and heights (12) within their priors."""

    def __init__(self, camera: CameraModel, points_mm: Array, rise: Array, image_px: Array) -> None:
        self._camera, self._points, self._rise, self._image = camera, points_mm, rise, image_px
        lens = np.zeros((N_LENS, N_LENS)) if camera.covariance is None else camera.covariance[:N_LENS, :N_LENS]
        tiny = 1e-9 * np.maximum(np.abs(camera.lens), 1e-3)  # terms without variance are exact
        self._lens_information = np.linalg.inv(lens + np.diag(tiny**2))

    def fit(self, *, bowed: bool, noise_px: float | None) -> _Fit:
        """With heights or without; `noise_px` None: from the scatter itself."""
        heights = np.array([_PRIOR_MM[i + j] if bowed else 1e-9 for i, j in TERMS])
        information = np.zeros((_N_CAMERA + len(TERMS),) * 2)
        information[:N_LENS, :N_LENS] = self._lens_information
        information[N_LENS:, N_LENS:] = np.diag(np.concatenate([_POSE_PRIOR, heights]) ** -2.0)

        def sigma(left: Array) -> float:
            return noise_px or max(sigma_per_axis(left), 1e-3)

        found = robust_least_squares(
            self._linearised,
            np.zeros(len(information)),
            prior=normal_prior(information),
            sigma=sigma,
            limit=HUBER_CLOSE,
            passes=_ROUNDS,
        )
        unknowns, noise = found.unknowns, float(found.sigma[0])
        left, _ = self._linearised(unknowns)
        return _Fit(
            unknowns=unknowns,
            covariance=found.covariance,
            cost=huber_cost(np.linalg.norm(left, axis=1) / noise, HUBER_CLOSE)
            + float(unknowns @ information @ unknowns),
            rms_px=float(np.sqrt(np.mean(np.sum(left**2, axis=1)))),
            noise_px=noise,
        )

    def astray_px(self, unknowns: Array) -> float:
        """By how much a fit moves the corners in the picture, rms: what the camera's file did not expect."""
        left, _ = self._linearised(np.zeros_like(unknowns))
        now, _ = self._linearised(unknowns)
        return float(np.sqrt(np.mean(np.sum((left - now) ** 2, axis=1))))

    def _linearised(self, unknowns: Array) -> tuple[Array, Callable[[], Array]]:
        """Residuals (n, 2) and d(pixel)/d(unknown) (n, 2, 27)."""
        camera = _changed(self._camera, unknowns[:_N_CAMERA])
        points = self._points.copy()
        points[:, 2] += self._rise @ unknowns[_N_CAMERA:]
        R = camera.R_camera_from_table
        pixels, by_lens, by_pose = project_with_jacobians(points, camera.lens, R, camera.t_camera_from_table_mm)
        by_height = by_pose[..., 3:] @ R[:, 2]  # a rise of the point along z moves it by R e_z in the camera's frame
        jacobian = np.concatenate([by_lens, by_pose, by_height[..., None] * self._rise[:, None]], axis=-1)
        return self._image - pixels, lambda: jacobian


def _changed(camera: CameraModel, change: Array) -> CameraModel:
    """The camera with another lens (9) and pose (6)."""
    lens = camera.lens + change[:N_LENS]
    return replace(moved_camera(camera, change[N_LENS:]), matrix=lens_matrix(lens), distortion=lens[4:])


def _shift(shape: TableShape, unknowns: Array, table_mm: Array) -> Array:
    """(..., 2) where the bowed table is met by the ray that meets the flat one at (..., 2), minus that."""
    flat = at_height(table_mm, shape.height_mm)
    pixels = shape.camera.project(flat)
    camera = _changed(shape.camera, unknowns[:_N_CAMERA])
    low = camera.to_plane(pixels, shape.height_mm)
    aside = camera.to_plane(pixels, shape.height_mm + 1.0) - low  # rays are straight: so much per millimetre of height
    spot = low
    for _ in range(_FOLLOW):
        spot = low + (powers(spot, shape.half_mm) @ unknowns[_N_CAMERA:])[..., None] * aside
    return spot - table_mm


def _evaluated(spline: RectBivariateSpline, table_mm: Array) -> Array:
    spots = np.asarray(table_mm, float)
    found = np.full(spots.shape[:-1], np.nan)
    known = np.isfinite(spots).all(axis=-1)
    found[known] = spline.ev(spots[known][:, 0], spots[known][:, 1])
    return found
