"""A place's camera uncertainty taken apart by cause: lens, pose, print scale and height of the sheet on the table."""

from dataclasses import dataclass

import numpy as np

from rigwarp.camera.boards.board_shape import SheetSigma
from rigwarp.camera.model import CameraModel
from rigwarp.camera.projection import N_LENS, N_POSE
from rigwarp.geometry import Array, at_height

_ROUNDING = 1e-6  # of the largest eigenvalue of a correlation matrix: below it, a negative one is rounding


@dataclass(frozen=True, kw_only=True)
class CameraShares:
    """1-sigma per axis of table positions (N,), mm, by independent causes; their squares add up to the whole.

    Attributes
    ----------
    lens_mm : the lens, as the board's photographs leave it, with the pose that follows from it.
    pose_mm : the pose, as the sheet's photograph leaves it once the lens is given.
    print_scale_mm : the mean print scale of the sheet.
    sheet_height_mm : the height of the sheet over the table.
    """

    lens_mm: Array
    pose_mm: Array
    print_scale_mm: Array
    sheet_height_mm: Array

    @property
    def combined_mm(self) -> Array:
        """Root of the sum of squares."""
        parts = (self.lens_mm, self.pose_mm, self.print_scale_mm, self.sheet_height_mm)
        return np.sqrt(sum(part**2 for part in parts))


def camera_shares(
    camera: CameraModel, points_mm: Array, height_mm: float, *, sheet: SheetSigma, centre_mm: Array
) -> CameraShares | None:
    """Take the camera's uncertainty apart.

    Parameters
    ----------
    camera : CameraModel
        Its covariance holds the sheet's scale and height, as that of `locate_table_from_view` does; where it cannot (it
        is smaller than their effect), they are added to it.
    points_mm : (N, 2) places on the plane z = height.
    height_mm : of the table's surface.
    sheet : how well the sheet on the table is known.
    centre_mm : (2,) where its centre lies.

    Returns
    -------
    CameraShares or None
        NaN where the camera does not see the place; None for a camera without a covariance.

    Notes
    -----
    Lens and pose are correlated: a longer lens goes with a higher camera. With pose = A lens + rest, A the regression
    of the one on the other, lens and rest are independent, and the law of propagation (JCGM 100, 5.1.2) holds for them
    term by term. Scale and height of the sheet move the pose alone, see `sheet_steps`.
    """
    if camera.covariance is None:
        return None
    pixels = camera.project(at_height(points_mm, height_mm))
    by_parameter = camera.plane_sensitivity(pixels, height_mm)
    steps = sheet_steps(camera, height_mm, sheet=sheet, centre_mm=centre_mm)
    without = camera.covariance - steps.T @ steps
    scale = np.sqrt(np.diag(camera.covariance))
    scale = np.divide(1.0, scale, out=np.zeros_like(scale), where=scale > 0.0)  # judged without units
    values = np.linalg.eigvalsh(without * np.outer(scale, scale))
    covariance = without if values[0] > -_ROUNDING * max(float(values[-1]), 1.0) else camera.covariance
    lens, pose = slice(0, N_LENS), slice(N_LENS, N_LENS + N_POSE)
    follows = covariance[pose, lens] @ np.linalg.pinv(covariance[lens, lens], hermitian=True)
    by_lens = by_parameter[..., lens] + by_parameter[..., pose] @ follows
    rest = covariance[pose, pose] - follows @ covariance[lens, pose]
    return CameraShares(
        lens_mm=_per_axis(by_lens, covariance[lens, lens]),
        pose_mm=_per_axis(by_parameter[..., pose], rest),
        print_scale_mm=_length_per_axis(by_parameter @ steps[0]),
        sheet_height_mm=_length_per_axis(by_parameter @ steps[1]),
    )


def sheet_steps(camera: CameraModel, height_mm: float, *, sheet: SheetSigma, centre_mm: Array) -> Array:
    """(2, 15) by how much one sigma of the sheet's mean scale, and of its height, moves the camera's parameters.

    Notes
    -----
    Exact: a sheet (1 + s) times as large about its centre c looks the same from t' = (1 + s) t + s R c; one that lies h
    higher, from t' = t - h R z. The lens, calibrated with the same print, does not change.
    """
    R, t = camera.R_camera_from_table, camera.t_camera_from_table_mm
    steps = np.zeros((2, N_LENS + N_POSE))
    steps[0, -3:] = sheet.mean_scale * (t + R @ np.array([*centre_mm, height_mm]))
    steps[1, -3:] = -sheet.height_mm * R[:, 2]
    return steps


def _per_axis(by_parameter: Array, covariance: Array) -> Array:
    """(N,) root of half the trace of J C J^T."""
    variance = np.einsum("nij,jk,nik->n", by_parameter, covariance, by_parameter)
    return np.sqrt(np.maximum(variance, 0.0) / 2.0)


def _length_per_axis(move_mm: Array) -> Array:
    return np.asarray(np.linalg.norm(move_mm, axis=-1) / np.sqrt(2.0))
