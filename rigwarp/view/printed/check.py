"""A printed sheet laid anywhere, measured through a view's map: how far its corners are from where it was printed."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, IntArray, ViewMap
from rigwarp.rig.model import Target
from rigwarp.view.look_up import points
from rigwarp.view.printed.found import SheetCorners
from rigwarp.view.printed.lying import on_sheet

_FEWEST = 6


@dataclass(frozen=True, kw_only=True)
class SheetCheck:
    """N corners, or dots, of one sheet.

    Attributes
    ----------
    photo : number of the photograph.
    centre_mm, rotation_rad : where the sheet lies, by the map.
    scale : of the map's distances over the print's; 1 is right.
    error_mm : (N, 2) by the map minus by the sheet, which is laid on it as it fits best; nothing is stretched.
    table_mm : (N, 2) places by the sheet.
    sigma_mm : (N,) 1-sigma per axis of the map there.
    zone : (N,).
    outside : corners that the map does not know.
    """

    photo: int
    centre_mm: Array
    rotation_rad: float
    scale: float
    error_mm: Array
    table_mm: Array
    sigma_mm: Array
    zone: IntArray
    outside: int


def check_sheet_through(view: ViewMap, found: Sequence[SheetCorners], target: Target) -> SheetCheck:
    """Compare one photograph's corners, of all zones, with the sheet.

    The print lies `target.thickness_mm` above the table; where on the table does not matter.

    Raises
    ------
    MeasurementError
        The map knows fewer than six of the corners.
    """
    pixels = np.concatenate([one.pixels_px for one in found])
    zone = np.repeat([one.zone for one in found], [len(one.pixels_px) for one in found]).astype(np.int64)
    seen, sigma = points(view, pixels, height_mm=target.thickness_mm)
    u, v = np.rint(pixels).astype(int).T
    known = np.isfinite(seen).all(axis=-1) & (view.zone[v, u] == zone)
    if np.count_nonzero(known) < _FEWEST:
        raise MeasurementError(
            f"the view's map knows only {np.count_nonzero(known)} of the {len(known)} corners that are seen, {_FEWEST} "
            "are needed: lay the sheet further inside what the mirrors show"
        )
    board = np.concatenate([one.board_mm for one in found])[known]
    return compared(
        on_sheet(board, target),
        seen[known],
        sigma_mm=sigma[known],
        zone=zone[known],
        photo=found[0].photo,
        outside=int(np.count_nonzero(~known)),
    )


def compared(
    flat_mm: Array, seen_mm: Array, *, sigma_mm: Array, zone: IntArray, photo: int, outside: int = 0
) -> SheetCheck:
    """Places (N, 2) on a flat print, laid on where the map sees them as they fit best."""
    a, b = flat_mm @ [1.0, 1.0j], seen_mm @ [1.0, 1.0j]
    factor = np.vdot(a - a.mean(), b - b.mean()) / np.vdot(a - a.mean(), a - a.mean()).real
    turn = np.exp(1j * np.angle(factor))
    by_sheet = turn * (a - a.mean()) + b.mean()
    centre = b.mean() - turn * a.mean()
    error = b - by_sheet
    return SheetCheck(
        photo=photo,
        centre_mm=np.array([centre.real, centre.imag]),
        rotation_rad=float(np.angle(factor)),
        scale=float(np.abs(factor)),
        error_mm=np.stack([error.real, error.imag], axis=-1),
        table_mm=np.stack([by_sheet.real, by_sheet.imag], axis=-1),
        sigma_mm=sigma_mm,
        zone=zone,
        outside=outside,
    )
