"""What `rigwarp camera` says of its result: for people, for camera.json and --json, and as a picture."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from rigwarp.camera import CameraModel, LensResult, TablePose
from rigwarp.camera.boards.board_shape import SHAPE_TERMS
from rigwarp.camera.boards.released_board import ReleasedBoard, released_board
from rigwarp.camera.lens.support import LensSupport, lens_support
from rigwarp.camera.projection import LENS_TERMS
from rigwarp.camera.table.field_of_view import content_points_mm
from rigwarp.camera.table.table_flatness import FurtherSheet, flatness_warnings
from rigwarp.commands.console import Console
from rigwarp.geometry import Array, at_height
from rigwarp.reports.figures.lens import lens_picture
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
        record = {"file": self.file, "sha256": self.sha256, "use": self.use, "corners": self.corners}
        return {**record, "rms_px": self.rms_px, **({"rejected": self.rejected} if self.rejected else {})}


@dataclass(frozen=True, kw_only=True)
class CameraMade:
    """What one calibration of the camera gave.

    Attributes
    ----------
    path, kept_aside : camera.json, and what the one before is called now.
    lens : None when an earlier lens was kept; `support` and `released` belong to it.
    pose : from the first sheet; `sheets` are the further ones.
    content_sigma_mm : median and largest 1-sigma of a place in the content area; None when it is not known.
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


def picture_of(lens: LensResult, support: LensSupport) -> bytes:
    """PNG: residuals, coverage and uncertainty over the frame."""
    return lens_picture(
        support, [view.image_px for view in lens.views], lens.residual_px, lens.fit.kept, lens.resolution
    )


def figures(made: CameraMade) -> dict[str, Any]:
    """The summary that goes into camera.json and into the command's own result."""
    return {
        "lens_fit": None if made.lens is None else _lens_figures(made.lens, made.support, made.released),
        "table_fit": _table_figures(made),
        "further_sheets": [None if sheet is None else _sheet_figures(sheet) for sheet in made.sheets],
        "sheet_height_mm": made.sheet_height_mm,
        "warnings": list(made.warnings),
    }


def _lens_figures(lens: LensResult, support: LensSupport | None, released: ReleasedBoard | None) -> dict[str, Any]:
    found: dict[str, Any] = {
        "terms": list(lens.terms),
        "values": dict(zip(LENS_TERMS, lens.lens, strict=True)),
        "sigmas": dict(zip(LENS_TERMS, lens.sigmas, strict=True)),
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


def _sheet_figures(sheet: FurtherSheet) -> dict[str, Any]:
    return {
        "middle_mm": sheet.middle_mm,
        "rise_mm": sheet.rise_mm,
        "rise_sigma_mm": sheet.rise_sigma_mm,
        "tilt_mrad": sheet.tilt_mrad,
        "tilt_sigma_mrad": sheet.tilt_sigma_mrad,
        "corners": sheet.corners,
    }


def tell(console: Console, made: CameraMade, picture: Path | None) -> None:
    """The result for people."""
    console.say("The camera")
    rows = [] if made.lens is None or made.support is None else _lens_rows(made.lens, made.support, made.released)
    rows += _pose_rows(made)
    rows += _sheet_rows(made.sheets)
    rows.append(("written", str(made.path)))
    if picture is not None:
        rows.append(("residuals over the picture", str(picture)))
    if made.kept_aside is not None:
        rows.append(("the one before is kept as", str(made.kept_aside)))
    console.table(rows)
    for photo in made.photos:
        if photo.rejected:
            console.note(f"{photo.file} not used: {photo.rejected}")
    for warning in made.warnings:
        console.note(f"weak: {warning}")


def _lens_rows(lens: LensResult, support: LensSupport, released: ReleasedBoard | None) -> list[tuple[str, str]]:
    values, sigmas = _by_term(lens.lens), _by_term(lens.sigmas)
    distortion = [f"{name} {values[name]:+.4f} ± {sigmas[name]:.4f}" for name in LENS_TERMS[4:] if name in lens.terms]
    rows = [
        ("photos of the board used", f"{len(lens.used)} of {len(lens.used) + len(lens.rejected)}"),
        ("they cover", f"{lens.coverage:.0%} of the picture"),
        ("focal lengths", f"{values['fx']:.2f} ± {sigmas['fx']:.2f}, {values['fy']:.2f} ± {sigmas['fy']:.2f} px"),
        ("principal point", f"{values['cx']:.2f} ± {sigmas['cx']:.2f}, {values['cy']:.2f} ± {sigmas['cy']:.2f} px"),
        ("distortion", ", ".join(distortion)),
        (
            "corners of the boards off by",
            f"{lens.rms_px:.3f} px rms, {support.structure_px:.3f} px of it a pattern over the picture",
        ),
        (
            "a direction is uncertain by",
            f"{np.nanmin(support.sigma_px):.2f} px in the middle, {np.nanmax(support.corner_sigma_px):.2f} px in the "
            "worst corner",
        ),
        ("bow of the board", f"{float(np.abs(lens.shape[2:]).max()):.2f} mm at half a diagonal"),
    ]
    if released is not None:
        rows.append(
            ("the board corner by corner", f"{released.bow_mm:.2f} mm out of plane in {released.views} whole photos")
        )
    return rows


def _by_term(values: Array) -> Mapping[str, float]:
    return dict(zip(LENS_TERMS, values.tolist(), strict=True))


def _pose_rows(made: CameraMade) -> list[tuple[str, str]]:
    camera = made.pose.camera
    position, turn = camera.position_sigma_mm, camera.turn_sigma_rad
    stands = ", ".join(f"{name} {value:.1f}" for name, value in zip("xyz", camera.position_mm, strict=True))
    if position is not None:
        stands += f", ± {', '.join(f'{sigma:.1f}' for sigma in position)}"
    rows = [
        ("corners of the sheet off by", f"{made.pose.rms_px:.3f} px rms ({int(made.pose.kept.sum())} corners)"),
        ("it stands at", f"{stands} mm"),
    ]
    if turn is not None:
        rows.append(("its direction is known to", f"{np.degrees(turn).max():.3f}° (1 sigma)"))
    if made.content_sigma_mm is not None:
        usual, worst = made.content_sigma_mm
        rows.append(("a place in the content area to", f"{usual:.2f} mm, at worst {worst:.2f} mm (1 sigma)"))
    return rows


def _sheet_rows(sheets: Sequence[FurtherSheet | None]) -> list[tuple[str, str]]:
    return [
        (
            f"sheet {number}",
            f"at ({sheet.middle_mm[0]:.0f}, {sheet.middle_mm[1]:.0f}) mm, {sheet.rise_mm:+.2f} ± "
            f"{sheet.rise_sigma_mm:.2f} mm higher, slopes {sheet.tilt_mrad[0]:+.1f}, {sheet.tilt_mrad[1]:+.1f} mrad",
        )
        for number, sheet in enumerate(sheets, start=2)
        if sheet is not None
    ]
