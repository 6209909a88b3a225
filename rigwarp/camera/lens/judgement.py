"""Is a lens good enough: coverage of the frame, folding, uncertainty of the focal length, oddities of the print."""

from collections.abc import Sequence

import numpy as np

from rigwarp.camera.boards.board_shape import SheetSigma
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, IntArray
from rigwarp.geometry.lens_distortion import fold_radius, undistort

WANTED_VIEWS = 8
"""Photos from which on a lens is reliable."""

_WANTED_COVERAGE = 0.5
COVERAGE_CELLS = (8, 6)
"""The frame's cells along its width and height."""

_FOCAL_REFUSED, _FOCAL_DOUBTFUL = 0.02, 0.005  # relative 1-sigma
_UNEXPECTED = 3.0  # sigmas of the print's description
_BOWED_MM = 1.5


def frame_coverage(image_px: Sequence[Array], resolution: tuple[int, int]) -> float:
    """Share of the frame's 8 x 6 cells that hold at least one corner."""
    return float(np.mean(cell_counts(image_px, resolution) > 0))


def cell_counts(image_px: Sequence[Array], resolution: tuple[int, int]) -> IntArray:
    """(6, 8) how many corners lie in each of the frame's 8 x 6 cells, rows from the top."""
    points = np.concatenate([np.zeros((0, 2)), *image_px])
    edges = [np.linspace(-0.5, n - 0.5, cells + 1) for n, cells in zip(resolution, COVERAGE_CELLS, strict=True)]
    counts, _, _ = np.histogram2d(points[:, 0], points[:, 1], bins=edges)
    return counts.T.astype(np.int64)


def folds_inside(lens: Array, resolution: tuple[int, int]) -> bool:
    """Whether the lens polynomial folds back within the frame: some pixel then has no direction."""
    if not np.isfinite(fold_radius(lens[4:])):
        return False
    u, v = (np.linspace(-0.5, n - 0.5, 9) for n in resolution)
    rim = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
    ideal = undistort((rim - lens[2:4]) / lens[:2], lens[4:], tolerance=1e-9)
    return not np.isfinite(ideal).all()


def lens_warnings(lens: Array, covariance: Array, n: int, coverage: float) -> tuple[str, ...]:
    """Judge the lens; MeasurementError where its focal length is a guess."""
    relative = float(np.sqrt(max(covariance[0, 0], covariance[1, 1])) / lens[:2].min())
    if not relative < _FOCAL_REFUSED:
        raise MeasurementError(
            f"the focal length is uncertain by {100 * relative:.1f} %, at most {100 * _FOCAL_REFUSED:g} % is usable: "
            "the board faces the camera in nearly all photos; take more with it tilted about 30 degrees left, "
            "right, up and down"
        )
    found = []
    if relative > _FOCAL_DOUBTFUL:
        found.append(f"focal length uncertain by {100 * relative:.2f} %: add photos with the board tilted more")
    if n < WANTED_VIEWS:
        found.append(f"only {n} photos used: {WANTED_VIEWS} or more make the lens reliable")
    if coverage < _WANTED_COVERAGE:
        found.append(
            f"the board covers {100 * coverage:.0f} % of the frame: bring it close and into the corners of the picture"
        )
    return tuple(found)


def print_warnings(shape: Array, sheet_sigma: SheetSigma) -> tuple[str, ...]:
    """What the photos say of the print that its description did not."""
    found = []
    aspect, bow_mm = float(shape[0]), float(np.abs(shape[2:]).max())
    if abs(aspect) > _UNEXPECTED * sheet_sigma.mean_scale > 0.0:
        found.append(
            f"the print is {200 * abs(aspect):.2f} % {'wider' if aspect > 0 else 'narrower'} against its height than "
            "target.scale says: measure both of its rulers again, since the mean of the two factors may be off as well"
        )
    if bow_mm > _BOWED_MM:
        found.append(f"the board in the hand is bowed by {bow_mm:.1f} mm: allowed for, but a stiffer one does better")
    return tuple(found)
