"""`rigwarp view lens`: the lens of the view's camera, taken out of its housing, from photographs of the board."""

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

import rigwarp
from rigwarp.camera import BoardView, LensResult, calibrate_lens_from_views, detect_board
from rigwarp.camera.boards.board import board_corners_mm
from rigwarp.camera.lens.support import LensSupport
from rigwarp.errors import InputError
from rigwarp.files import RigFolder, list_photos, name_aside, read_bytes, read_photo, rig_locked, write_bytes
from rigwarp.files.names import VIEW_LENS_FILE
from rigwarp.files.reading import sha256_of
from rigwarp.files.view_lens_file import write_view_lens
from rigwarp.jobs.bench.camera_record import judge_lens, lens_figures
from rigwarp.jobs.progress import Progress
from rigwarp.jobs.view.scan import view_of
from rigwarp.rig import Lens


@dataclass(frozen=True, kw_only=True)
class ViewLensMade:
    """A lens for the view: its file, what the one before is called now, and the calibration.

    `rejected` are photographs that were of no use and why, `warnings` what makes the lens weaker than it could be.
    """

    path: Path
    kept_aside: Path | None
    lens: Lens
    result: LensResult
    photos: int
    rejected: tuple[tuple[str, str], ...]
    warnings: tuple[str, ...]


def calibrate_view_lens(progress: Progress, folder: RigFolder, photos: Path, *, replace: bool = False) -> ViewLensMade:
    """Calibrate from photographs of the hand-held board, and write view_lens.json.

    Raises
    ------
    InputError
        There is a lens already, or a photograph is damaged or of another size.
    MeasurementError
        The photographs do not determine a lens.
    """
    view = view_of(folder)
    path = folder.root / VIEW_LENS_FILE
    if path.exists() and not replace:
        raise InputError(
            f"{path}: found a lens that is already there, expected none. Give --replace to make a new one (the old one "
            "is kept beside it)."
        )
    files = list_photos(photos)
    views: list[BoardView] = []
    with progress.stage(len(files), "Looking for the board") as advance:
        for file in files:
            photo = read_photo(file)
            if photo.shape[::-1] != view.resolution:
                found, wanted = (" x ".join(map(str, size)) for size in (photo.shape[::-1], view.resolution))
                raise InputError(
                    f"{file}: found {found} pixels, rig.toml says view.resolution is {wanted}. Take the photographs "
                    "with the view's own camera and setting"
                )
            views.append(detect_board(photo, view.target))
            advance()
    result = calibrate_lens_from_views(views)
    support, released = judge_lens(result, len(board_corners_mm(view.target)))
    lens = lens_of(result, support)
    warnings = (*result.warnings, *support.warnings, *(released.warnings if released else ()))
    aside = name_aside(path) if path.exists() else None
    extra = {
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "rigwarp": rigwarp.__version__,
        "lens_fit": lens_figures(result, result.lens, result.sigmas, support, released),
        "warnings": list(warnings),
        "photos": [{"file": file.name, "sha256": sha256_of(file)} for file in files],
    }
    with rig_locked(folder.root, "view lens"):
        if aside is not None:
            write_bytes(aside, read_bytes(path))
        write_view_lens(path, lens, resolution=view.resolution, extra=extra, replace=aside is not None)
    return ViewLensMade(
        path=path,
        kept_aside=aside,
        lens=lens,
        result=result,
        photos=len(files),
        rejected=tuple((files[index].name, reason) for index, reason in result.rejected),
        warnings=warnings,
    )


def lens_of(result: LensResult, support: LensSupport) -> Lens:
    """The lens of a calibration; its `sigma_px` is that of a direction, root mean square over the picture."""
    known = support.sigma_px[np.isfinite(support.sigma_px)]
    return Lens(
        matrix=result.matrix,
        distortion=result.distortion,
        sigma_px=float(np.sqrt(np.mean(known**2))) if known.size else 0.0,
        covariance=result.covariance_lens,
    )
