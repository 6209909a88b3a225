"""Scans on boards that stand higher than the table: where their samples lie, and what is not known of that."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rigwarp.as_built.solve.fit_data import LitPixels
from rigwarp.as_built.solve.linearised import N_MOUNT, N_OPTICS, landing
from rigwarp.camera import CameraModel
from rigwarp.camera.table.raised_board import RaisedBoard
from rigwarp.decode import Decoded, left_px
from rigwarp.geometry import Array, BoolArray
from rigwarp.rig import Table
from rigwarp.table_map import MapFacts, Samples, ZonePlaces, fit_table_map, samples_of_zones
from rigwarp.tracing import OpticalModel

_STEP_MM = 1.0  # for slants of light and of sight: over a millimetre both are straight


@dataclass(frozen=True, kw_only=True)
class RaisedScan:
    """A scan on a board above the table, or on the table itself, by a camera that has not moved.

    Attributes
    ----------
    cells : N averaged samples, table_mm the x and y of where they lie on the board.
    cell_sigma_mm, cell_zone, cell_ripple_mm : as for the scan on the table.
    camera : as for the scan on the table.
    board : how high it stands and how it slopes; None for the table.
    moved_sigma_mm : 1-sigma per axis by which the light may have moved on the table between the two scans.
    """

    cells: Samples
    cell_sigma_mm: Array
    cell_zone: NDArray[np.int64]
    camera: CameraModel
    board: RaisedBoard | None
    moved_sigma_mm: float = 0.0
    cell_ripple_mm: Array | None = None

    @classmethod
    def of(
        cls, fit: MapFacts, camera: CameraModel, board: RaisedBoard | None = None, *, moved_sigma_mm: float = 0.0
    ) -> "RaisedScan":
        """The averaged samples of a fitted map."""
        return cls(
            cells=fit.cells,
            cell_sigma_mm=np.asarray(fit.cell_sigma_mm, float),
            cell_zone=np.asarray(fit.cell_zone, np.int64),
            camera=camera,
            board=board,
            moved_sigma_mm=moved_sigma_mm,
            cell_ripple_mm=fit.cell_ripple_mm,
        )


@dataclass(frozen=True, kw_only=True)
class HeightFit:
    """How well the samples of one scan agree with the common fit.

    Attributes
    ----------
    raised_mm, raised_sigma_mm : how much higher than the table it was taken; 0 for the table.
    n_samples : averaged samples.
    residual_rms_mm : rms distance per axis between them and the fit, the common errors of camera and board taken off.
    """

    raised_mm: float
    raised_sigma_mm: float
    n_samples: int
    residual_rms_mm: float


def raised_scan(
    model: OpticalModel,
    decoded: Sequence[Decoded],
    camera: CameraModel,
    board: RaisedBoard,
    *,
    table: Table,
    tolerances: Array,
    moved_sigma_mm: float,
    places: ZonePlaces,
    lit: Sequence[BoolArray | None] | None = None,
) -> RaisedScan:
    """What a decoded scan on a board says, as the joint fit needs it.

    Parameters
    ----------
    model : the design.
    decoded : one scan, or one per zone.
    camera : over the table.
    table : the table below; what lies beyond its region on the board is left out.
    tolerances : (12,) of the mounting.
    moved_sigma_mm : see `RaisedScan`.
    places : where the camera stood in each of `decoded`.
    lit : the part of the projector picture that each of `decoded` showed, None for all of it.

    Raises
    ------
    MeasurementError
        If there are hardly any samples.
    """
    height = model.table_height_mm
    over = board.camera_over(camera, height_mm=height)
    flat = replace(table, height_mm=0.0)
    samples = samples_of_zones(decoded, over, flat, lit or [None] * len(decoded), places)
    samples = replace(samples, table_mm=board.to_table(samples.table_mm, height_mm=height))
    above = replace(model, table_height_mm=height + board.rise_mm)
    found = fit_table_map(above, samples, replace(camera, covariance=None), tolerances, **left_px(decoded))
    return RaisedScan.of(found, camera, board, moved_sigma_mm=moved_sigma_mm)


def heights_mm(model: OpticalModel, board: RaisedBoard | None, table_mm: Array) -> Array:
    """(N,) heights, table frame, of the surface that was lit at places (N, 2)."""
    table = np.full(len(table_mm), model.table_height_mm)
    return table if board is None else np.asarray(table + board.rise_at(table_mm), float)


def board_errors(model: OpticalModel, scan: RaisedScan, chosen: NDArray[np.int64], board: RaisedBoard) -> Array:
    """(N, 2, 5) table shifts of the chosen samples for one sigma of a board's height, of its slopes along x and y, and
    of what the light may have moved along x and y since the scan of the table.

    Where the board stands higher than thought, the light meets it earlier on its way, and the camera's line of sight
    as well: what shows is the difference of the two slants.
    """
    pixels, zone = scan.cells.pixels_px[chosen], scan.cell_zone[chosen]
    table_mm, camera_px = scan.cells.table_mm[chosen], scan.cells.camera_px[chosen]
    height = heights_mm(model, board, table_mm)
    light = [
        landing(model, np.zeros(N_MOUNT + N_OPTICS), LitPixels(pixels_px=pixels, zone=zone, height_mm=height + up))
        for up in (0.0, _STEP_MM)
    ]
    middle = model.table_height_mm + board.rise_mm
    sight = [scan.camera.to_plane(camera_px, middle + up) for up in (0.0, _STEP_MM)]
    slant = ((light[1] - light[0]) - (sight[1] - sight[0])) / _STEP_MM
    lever = table_mm - board.middle_mm
    up_mm = np.column_stack([np.full(len(zone), board.rise_sigma_mm), lever * board.slope_sigma])
    moved = np.broadcast_to(scan.moved_sigma_mm * np.eye(2), (len(zone), 2, 2))
    return np.concatenate([slant[:, :, None] * up_mm[:, None, :], moved], axis=-1)


def height_fits(
    scans: Sequence[RaisedScan], heights: Array, residual_mm: Array, table_height_mm: float
) -> tuple[HeightFit, ...]:
    """Residuals (N, 2) of the common fit, scan by scan: each is nearest to the samples' heights (N,)."""
    rises = np.array([0.0 if scan.board is None else scan.board.rise_mm for scan in scans])
    nearest = np.argmin(np.abs(heights[:, None] - table_height_mm - rises), axis=1)
    fits = []
    for number, scan in enumerate(scans):
        here = residual_mm[(nearest == number) & np.isfinite(residual_mm).all(axis=-1)]
        fits.append(
            HeightFit(
                raised_mm=float(rises[number]),
                raised_sigma_mm=0.0 if scan.board is None else scan.board.rise_sigma_mm,
                n_samples=len(here),
                residual_rms_mm=float(np.sqrt(np.mean(here**2))) if len(here) else np.nan,
            )
        )
    return tuple(fits)
