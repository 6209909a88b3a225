"""What `rigwarp camera` says of its result: for people, for camera.json and --json, and as a picture."""

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from rigwarp.camera import CameraModel, LensResult, TablePose
from rigwarp.camera.boards.board_shape import SHAPE_TERMS
from rigwarp.camera.boards.released_board import ReleasedBoard, released_board
from rigwarp.camera.boards.sheet_code import SheetCode
from rigwarp.camera.lens.support import LensSupport, lens_support
from rigwarp.camera.projection import LENS_TERMS, N_LENS
from rigwarp.camera.table.field_of_view import content_points_mm
from rigwarp.camera.table.table_flatness import FurtherSheet, flatness_warnings
from rigwarp.geometry import Array, at_height
from rigwarp.rig import Rig

_GRID = 25  # places across the content area where the camera's uncertainty is worked out


@dataclass(frozen=True, kw_only=True)
class PhotoUsed:
    """A photograph, what it was for, and what came of it (`rejected` None = used)."""

    file: str
    sha256: str
    use: str
    corners: int
    rms_px: float | None
    rejected: str | None

    def record(self) -> dict[str, Any]:
        """As it stands in camera.json."""
        return {key: value for key, value in asdict(self).items() if key != "rejected" or value}


@dataclass(frozen=True, kw_only=True)
class CameraMade:
    """What one calibration of the camera gave.

    Attributes
    ----------
    path, kept_aside : camera.json, and what the one before is called now.
    lens : None when an earlier lens was kept; `support` and `released` belong to it.
    pose : from the first sheet; `sheets` are the further ones.
    content_sigma_mm : median and largest 1-sigma of a place in the content area; None when it is not known.
    sheet_code : what the code on the sheet says; None where none could be read.
    """

    path: Path
    kept_aside: Path | None
    lens: LensResult | None
    support: LensSupport | None
    released: ReleasedBoard | None
    pose: TablePose
    sheets: tuple[FurtherSheet | None, ...]
    sheet_height_mm: float
    content_sigma_mm: tuple[float, float] | None
    photos: tuple[PhotoUsed, ...]
    sheet_code: SheetCode | None = None

    @property
    def lens_sigmas(self) -> Array:
        """(9,) 1-sigma of the camera's lens, which the sheet on the table told as well as the board."""
        covariance = self.pose.camera.covariance
        if covariance is None:
            return np.full(N_LENS, np.nan)
        return np.sqrt(np.diag(covariance)[:N_LENS])

    @property
    def warnings(self) -> tuple[str, ...]:
        """What makes the result weaker than it could be."""
        return (
            *(self.lens.warnings if self.lens else ()),
            *(self.support.warnings if self.support else ()),
            *(self.released.warnings if self.released else ()),
            *self.pose.warnings,
            *flatness_warnings(self.sheets),
        )


def judge_lens(lens: LensResult, board_corners: int) -> tuple[LensSupport, ReleasedBoard | None]:
    """How well the photos support a lens, and the second opinion where they allow one."""
    support = lens_support(
        [view.image_px for view in lens.views],
        lens.residual_px,
        lens.fit.kept,
        lens.fit.noise_px,
        lens.lens,
        lens.covariance_lens,
        lens.resolution,
    )
    return support, released_board(lens.views, lens.lens, lens.sigmas, corners=board_corners)


def content_sigma_mm(camera: CameraModel, rig: Rig) -> tuple[float, float] | None:
    """Median and largest 1-sigma (root mean square of both axes' sum) of places in the content area."""
    if camera.covariance is None:
        return None
    points = content_points_mm(rig.content, _GRID)
    height_mm = rig.table.height_mm
    pixels = camera.project(at_height(points, height_mm))
    spread = camera.plane_covariance(pixels[np.isfinite(pixels).all(axis=-1)], height_mm)
    sigma = np.sqrt(np.trace(spread, axis1=-2, axis2=-1))
    sigma = sigma[np.isfinite(sigma)]
    return (float(np.median(sigma)), float(sigma.max())) if sigma.size else None


def figures(made: CameraMade) -> dict[str, Any]:
    """The summary that goes into camera.json and into the command's own result."""
    lens, values = made.lens, made.pose.camera.lens
    return {
        "lens_fit": lens and lens_figures(lens, values, made.lens_sigmas, made.support, made.released),
        "table_fit": _table_figures(made),
        "further_sheets": [None if sheet is None else asdict(sheet) for sheet in made.sheets],
        "sheet_height_mm": made.sheet_height_mm,
        "sheet_code": None if made.sheet_code is None else asdict(made.sheet_code),
        "warnings": list(made.warnings),
    }


def lens_figures(
    lens: LensResult, values: Array, sigmas: Array, support: LensSupport | None, released: ReleasedBoard | None
) -> dict[str, Any]:
    """A lens in numbers: `values` and `sigmas` (9,) are those of its terms."""
    found: dict[str, Any] = {
        "terms": list(lens.terms),
        "values": dict(zip(LENS_TERMS, values, strict=True)),
        "sigmas": dict(zip(LENS_TERMS, sigmas, strict=True)),
        "rms_px": lens.rms_px,
        "photos_used": len(lens.used),
        "photos_rejected": len(lens.rejected),
        "coverage": lens.coverage,
        "print": dict(zip(SHAPE_TERMS, lens.shape, strict=True)),
        "print_sigma": dict(zip(SHAPE_TERMS, lens.shape_sigmas, strict=True)),
    }
    if support is not None:
        found["frame"] = {
            "corners": support.corners,
            "mean_residual_px": support.mean_px,
            "rms_px": support.rms_px,
            "sigma_px": support.sigma_px,
            "corner_sigma_px": support.corner_sigma_px,
            "structure": support.structure,
            "structure_px": support.structure_px,
        }
    found["released_board"] = None
    if released is not None:
        found["released_board"] = {
            "photos": released.views,
            "bow_mm": released.bow_mm,
            "beyond_bow_mm": released.beyond_bow_mm,
            "focal_px": released.focal_px,
            "focal_apart_sigmas": released.focal_apart,
        }
    return found


def _table_figures(made: CameraMade) -> dict[str, Any]:
    pose, camera = made.pose, made.pose.camera
    turn = camera.turn_sigma_rad
    return {
        "corners": pose.view.n,
        "corners_kept": int(pose.kept.sum()),
        "rms_px": pose.rms_px,
        "noise_px": pose.noise_px,
        "position_mm": camera.position_mm,
        "position_sigma_mm": camera.position_sigma_mm,
        "turn_sigma_deg": None if turn is None else np.degrees(turn),
        "content_sigma_mm": None if made.content_sigma_mm is None else list(made.content_sigma_mm),
    }
