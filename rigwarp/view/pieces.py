"""Smooth pieces of a view, told from the measured positions alone: by where they jump, and by their parity.

Seen over one mirror the table is mirror-reversed, seen directly it is not: the sign of d(table mm) / d(pixel) tells,
and no design is asked. A fold between wings is a jump of the position, far larger than a pixel's step.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_erosion, distance_transform_edt, label, map_coordinates

from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray
from rigwarp.table_map.borders import JUMP
from rigwarp.view.parts import ViewPart

_TILE_PX = 16  # steps from pixel to pixel are compared with the usual one thereabouts
_SMALLEST = 400  # pixels; a smaller piece is a reflection, or a decoding that went wrong
_ASKED = 400  # samples of a piece that are compared with the design
_FURTHEST = 0.4  # of the table's size: a piece this far from all that the design sees belongs to nothing
_RIM_PX = 2  # next to a piece's edge the lens mixes it with what lies behind


@dataclass(frozen=True, kw_only=True)
class Piece:
    """A smooth piece of the view.

    Attributes
    ----------
    here : (H, W) its pixels.
    rim : (H, W) those of them at its edge, which the lens mixes with others.
    parity : +1 mirror-reversed, -1 not.
    part : which part of the design it is; None where it is none.
    """

    here: BoolArray
    rim: BoolArray
    parity: int
    part: ViewPart | None


def find_pieces(table_mm: Array, parts: Sequence[ViewPart], table_size_mm: float) -> list[Piece]:
    """Pieces of a measured picture.

    Parameters
    ----------
    table_mm : (H, W, 2) measured positions, NaN where none is.
    parts : of the design; with its sizes alone a piece is given to the part that it lies nearest to.
    table_size_mm : diagonal of the table.

    Raises
    ------
    MeasurementError
        No piece looks like any part of the design.
    """
    names, count = label(_smooth(table_mm))
    sizes = np.bincount(names.ravel(), minlength=count + 1)
    pieces = []
    for number in np.flatnonzero(sizes >= _SMALLEST):
        if number == 0:
            continue
        here = names == number
        parity = _parity(table_mm, here)
        rim = here & ~binary_erosion(here, iterations=_RIM_PX, border_value=True)
        pieces.append(
            Piece(here=here, rim=rim, parity=parity, part=_nearest(table_mm, here, parity, parts, table_size_mm))
        )
    if not any(piece.part is not None for piece in pieces):
        raise MeasurementError(_words(pieces))
    return pieces


def _words(pieces: Sequence[Piece]) -> str:
    if not pieces:
        return (
            "nothing of the table is seen in one piece: the view's camera must see the patterns by way of its mirrors. "
            "Look at the photographs, and check [view] in rig.toml"
        )
    found = sum(int(piece.here.sum()) for piece in pieces)
    return (
        f"{found} pixels see the table, and none of them where [view] in rig.toml would have them: check its "
        "position_mm, rotation_deg and mirrors, whether a display lay with its top edge away from you, and whether the "
        "photographs are turned or mirrored"
    )


def _smooth(table_mm: Array) -> BoolArray:
    """(H, W) pixels whose steps to all four neighbours are ordinary ones."""
    smooth = np.isfinite(table_mm[..., 0])
    for axis in (0, 1):
        step = np.linalg.norm(np.diff(table_mm, axis=axis), axis=-1)
        with np.errstate(invalid="ignore"):
            ordinary = step < JUMP * _usual(step)
        lead = [(1, 0) if a == axis else (0, 0) for a in (0, 1)]
        back = [(0, 1) if a == axis else (0, 0) for a in (0, 1)]
        smooth &= np.pad(ordinary, lead, constant_values=True) & np.pad(ordinary, back, constant_values=True)
    return np.asarray(smooth)


def _usual(step: Array) -> Array:
    """Median of (H, W) values in tiles, carried to every place in between; NaN-proof."""
    height, width = step.shape
    rows, columns = -(-height // _TILE_PX), -(-width // _TILE_PX)
    padded = np.full((rows * _TILE_PX, columns * _TILE_PX), np.nan)
    padded[:height, :width] = step
    tiles = padded.reshape(rows, _TILE_PX, columns, _TILE_PX).transpose(0, 2, 1, 3).reshape(rows, columns, -1)
    known = np.isfinite(tiles).sum(axis=-1) > _TILE_PX
    median = np.full((rows, columns), np.nan)
    median[known] = np.nanmedian(tiles[known], axis=-1)
    if not known.any():
        return np.zeros(step.shape)
    row, column = distance_transform_edt(~known, return_distances=False, return_indices=True)
    filled = median[row, column]
    at = [(np.arange(n) + 0.5) / _TILE_PX - 0.5 for n in step.shape]
    return np.asarray(map_coordinates(filled, np.meshgrid(*at, indexing="ij"), order=1, mode="nearest"))


def _parity(table_mm: Array, here: BoolArray) -> int:
    """Sign of the determinant of d(table mm) / d(pixel) that most of a piece has."""
    both = here[:-1, :-1] & here[1:, :-1] & here[:-1, 1:]
    across = (table_mm[:-1, 1:] - table_mm[:-1, :-1])[both]
    down = (table_mm[1:, :-1] - table_mm[:-1, :-1])[both]
    return 1 if np.sum(np.sign(across[:, 0] * down[:, 1] - across[:, 1] * down[:, 0])) > 0 else -1


def _nearest(
    table_mm: Array, here: BoolArray, parity: int, parts: Sequence[ViewPart], table_size_mm: float
) -> ViewPart | None:
    """The part of the right parity that would see a piece nearest to where it was seen."""
    pixels, spots = _some(here, table_mm)
    best, nearest = _FURTHEST * table_size_mm, None
    for part in parts:
        if part.parity != parity:
            continue
        distance = design_distance(part, part.own_pixels(pixels), spots)
        if distance < best:
            best, nearest = distance, part
    return nearest


def surface_of(part: ViewPart, here: BoolArray, table_mm: Array) -> int:
    """Number of the surface by which most places (H, W, 2) of a piece would be seen nearest to where they are."""
    pixels, spots = _some(here, table_mm)
    distances = _distances(part, part.own_pixels(pixels), spots)
    return int(part.model.surfaces[int(np.argmin(np.median(distances, axis=-1)))].zone)


def _some(here: BoolArray, table_mm: Array) -> tuple[Array, Array]:
    """(N, 2) pixels of a piece (H, W), as many as the design is asked for, and their places."""
    v, u = np.nonzero(here)
    some = slice(None, None, max(1, len(u) // _ASKED))
    u, v = u[some], v[some]
    return np.stack([u, v], axis=-1).astype(float), table_mm[v, u]


def design_distance(part: ViewPart, own_px: Array, table_mm: Array) -> float:
    """Median distance of (N, 2) places from where a part's nearest surface would see them, mm."""
    return float(np.median(_distances(part, own_px, table_mm).min(axis=0)))


def _distances(part: ViewPart, own_px: Array, table_mm: Array) -> Array:
    """(surfaces, N) from where each surface would see them; infinite where it cannot."""
    distances = np.stack(
        [
            np.linalg.norm(part.model.trace(own_px, zone=surface.zone, extended=True).table_mm - table_mm, axis=-1)
            for surface in part.model.surfaces
        ]
    )
    return np.where(np.isfinite(distances), distances, np.inf)


def nearest_piece(pieces: Sequence[Piece], shape: tuple[int, int]) -> tuple[NDArray[np.int64], Array]:
    """(H, W) number of the piece that is nearest to each pixel, and how many pixels away it is."""
    owner = np.full(shape, -1, np.int64)
    for number, piece in enumerate(pieces):
        owner[piece.here] = number
    away_px, (row, column) = distance_transform_edt(owner < 0, return_indices=True)
    return owner[row, column], np.asarray(away_px)
