"""How well the photos support the lens: residuals over the frame, and what the lens's uncertainty does to a pixel."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rigwarp.camera.lens.judgement import COVERAGE_CELLS, cell_counts
from rigwarp.camera.projection import project_with_jacobians
from rigwarp.geometry import Array, BoolArray, IntArray
from rigwarp.geometry.lens_distortion import undistort

_MIN_COUNT = 4  # corners in a cell, below which its mean is mostly noise
_STRUCTURE = 2.0  # rms of the cells' means, in their expected sigmas, from which the model misses something
_STRUCTURE_PX = 0.03  # less misfit than that is what no lens model gets right
_UNSUPPORTED_PX = 0.3  # uncertainty of a place in the frame from which the lens there is a guess


@dataclass(frozen=True, kw_only=True)
class LensSupport:
    """Residuals and uncertainty over the frame's 8 x 6 cells, rows from the top.

    Attributes
    ----------
    corners : (6, 8) corners used in each cell.
    mean_px : (6, 8, 2) mean residual, measured minus predicted; NaN where there are too few.
    rms_px : (6, 8) rms length of the residuals; NaN likewise.
    structure : rms of the cells' mean residuals over what chance makes of them; about 1 when the model fits.
    structure_px : rms length of the mean residuals beyond chance.
    sigma_px : (6, 8) 1-sigma of where the lens puts a given direction, worst direction on the picture, in the middle
        of each cell; a turn of the whole camera, which the pose takes up, is left out.
    corner_sigma_px : (4,) the same in the frame's corners: top left, top right, bottom left, bottom right.
    """

    corners: IntArray
    mean_px: Array
    rms_px: Array
    structure: float
    structure_px: float
    sigma_px: Array
    corner_sigma_px: Array

    @property
    def warnings(self) -> tuple[str, ...]:
        """Where the photos do not support the model, and what to do about it."""
        found = []
        if self.structure > _STRUCTURE and self.structure_px > _STRUCTURE_PX:
            found.append(
                f"residuals have a pattern of {self.structure_px:.2f} px over the picture that the lens model cannot "
                "hold: use a lens with less distortion, or trust positions no further than that"
            )
        names = ("top left", "top right", "bottom left", "bottom right")
        weak = [name for name, sigma in zip(names, self.corner_sigma_px, strict=True) if not sigma < _UNSUPPORTED_PX]
        if weak:
            found.append(
                f"no photo supports the lens in the picture's {', '.join(weak)} "
                f"(uncertain by {np.nanmax(self.corner_sigma_px):.1f} px there): bring the board into these corners"
            )
        return tuple(found)


def lens_support(
    image_px: Sequence[Array],
    residual_px: Sequence[Array],
    kept: Sequence[BoolArray],
    noise_px: Array,
    lens: Array,
    covariance: Array,
    resolution: tuple[int, int],
) -> LensSupport:
    """Judge a lens by its photos.

    Parameters
    ----------
    image_px, residual_px, kept : per photo (N, 2), (N, 2), (N,)
    noise_px : (V,) 1-sigma of a corner per axis in each photo
    lens, covariance : (9,), (9, 9)
    """
    places = np.concatenate([p[k] for p, k in zip(image_px, kept, strict=True)])
    vectors = np.concatenate([r[k] for r, k in zip(residual_px, kept, strict=True)])
    sigma = np.concatenate([np.full(int(k.sum()), s) for k, s in zip(kept, noise_px, strict=True)])
    column, row = np.clip((places + 0.5) / resolution * COVERAGE_CELLS, 0, np.array(COVERAGE_CELLS) - 1).astype(int).T
    cell, shape = row * COVERAGE_CELLS[0] + column, COVERAGE_CELLS[::-1]
    corners = np.stack(np.meshgrid(*([0.0, n - 1.0] for n in resolution)), axis=-1).reshape(-1, 2)

    def sums(values: Array) -> Array:
        return np.asarray(np.bincount(cell, weights=values, minlength=shape[0] * shape[1]), float).reshape(shape)

    count = cell_counts([places], resolution)
    enough = count >= _MIN_COUNT
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.stack([sums(vectors[:, axis]) / count for axis in (0, 1)], axis=-1)
        rms = np.sqrt(sums(np.sum(vectors**2, axis=-1)) / count)
        expected = 2.0 * sums(sigma**2) / count**2  # of the mean's squared length
    square = np.sum(mean**2, axis=-1)[enough]
    by_chance = expected[enough]
    return LensSupport(
        corners=count,
        mean_px=np.where(enough[..., None], mean, np.nan),
        rms_px=np.where(enough, rms, np.nan),
        structure=float(np.sqrt(np.mean(square / by_chance))) if square.size else float("nan"),
        structure_px=float(np.sqrt(max(np.mean(square - by_chance), 0.0))) if square.size else float("nan"),
        sigma_px=direction_sigma_px(lens, covariance, _cell_middles(resolution), resolution).reshape(shape),
        corner_sigma_px=direction_sigma_px(lens, covariance, corners, resolution),
    )


def direction_sigma_px(lens: Array, covariance: Array, pixels_px: Array, resolution: tuple[int, int]) -> Array:
    """1-sigma of where the lens puts the direction that it now puts at a pixel, worst direction on the picture.

    Parameters
    ----------
    lens, covariance : (9,), (9, 9)
    pixels_px : (N, 2)

    Returns
    -------
    (N,) NaN where the lens folds.

    Notes
    -----
    Principal point and turn of the camera hardly differ. What a turn can take up, by least squares over the frame, is
    taken off, as mrcal does (its documentation, "projection uncertainty").
    """
    J_grid, turn_grid = _by_lens_and_turn(lens, _cell_middles(resolution))
    usable = np.isfinite(J_grid).all(axis=(1, 2))
    taken_up, *_ = np.linalg.lstsq(turn_grid[usable].reshape(-1, 3), J_grid[usable].reshape(-1, len(lens)), rcond=None)
    J, turn = _by_lens_and_turn(lens, pixels_px)
    left = J - turn @ taken_up
    spread = left @ covariance @ np.swapaxes(left, -1, -2)
    known = np.isfinite(spread).all(axis=(1, 2))
    sigma = np.full(len(pixels_px), np.nan)
    sigma[known] = np.sqrt(np.maximum(np.linalg.eigvalsh(spread[known])[:, -1], 0.0))
    return sigma


def _by_lens_and_turn(lens: Array, pixels_px: Array) -> tuple[Array, Array]:
    """d(px)/d(lens) (N, 2, 9) and d(px)/d(turn) (N, 2, 3) of the directions seen at pixels (N, 2)."""
    ideal = undistort((pixels_px - lens[2:4]) / lens[:2], lens[4:], tolerance=1e-10)
    rays = np.column_stack([ideal, np.ones(len(ideal))])
    _, by_lens, by_pose = project_with_jacobians(rays, lens, np.eye(3), np.zeros(3))
    return by_lens, by_pose[..., :3]


def _cell_middles(resolution: tuple[int, int]) -> Array:
    """(48, 2) px, row by row."""
    u, v = ((np.arange(cells) + 0.5) * n / cells - 0.5 for n, cells in zip(resolution, COVERAGE_CELLS, strict=True))
    return np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
