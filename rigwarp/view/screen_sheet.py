"""What a printed sheet tells of a display: glass, thickness and pitch, which no number of the display's places tells.

A sheet has no glass. Photographed anywhere on the table over the same mirrors, its corners are where the display's
places put them only if glass (which shifts slanting sights), thickness and pitch are right: a linear least squares in
these, the sheet's own print and height, and where it lies.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rigwarp.camera import SheetSigma, board_to_table
from rigwarp.camera.boards.board import board_size_mm
from rigwarp.camera.boards.board_shape import print_bends
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array
from rigwarp.geometry.robust import HUBER_CLOSE, normal_prior, robust_least_squares, sigma_per_axis
from rigwarp.rig.model import Target
from rigwarp.table_map.inverse import bilinear, looked_up
from rigwarp.view.lean import LeanDoubt
from rigwarp.view.printed.found import SheetCorners
from rigwarp.view.screen import N_DOUBTS, Screen, ScreenSeen, screen_slopes
from rigwarp.view.seen import filled

_FEWEST = 12  # corners
_FEWEST_EACH = 4
_LEAST_PX = 0.03  # 1-sigma of a corner, at best
_WORTH = 150.0  # corners: paper and blur move neighbours alike
_PASSES = 8
_PRINT, _PLACE = 4, 3  # unknowns: both scales, squareness, height; middle and turn of each sheet
_ANYWHERE = 1e3  # mm and rad


@dataclass(frozen=True, kw_only=True)
class _Sheet:
    """(N,) corners of one sheet where the display's places put them; `turn` (2, 2) is the sheet's."""

    places_mm: Array
    lean: Array
    by_lean: Array
    mm_per_px: Array
    flat_mm: Array
    bends: Array
    turn: Array


def screen_by_sheet(
    screen: Screen,
    looked_at: ScreenSeen,
    lean_doubt: LeanDoubt,
    corners: Sequence[SheetCorners],
    target: Target,
    sheet: SheetSigma,
) -> tuple[Screen, LeanDoubt]:
    """The display and the lean at which the sheet is as it was printed, and their covariance.

    Parameters
    ----------
    screen, looked_at : the display as described, and what it shows with that.
    lean_doubt : how well the lean is known.
    corners : of sheets on the table, by photograph and zone.
    target, sheet : the print, and how well that and its height are known.

    Raises
    ------
    MeasurementError
        The sheet is hardly seen where the display was.
    """
    photos = sorted({one.photo for one in corners})
    places_mm, lean = looked_at.seen.table_mm, filled(looked_at.lean)
    looked = [
        _looked(places_mm, lean, lean_doubt, [one for one in corners if one.photo == photo], target) for photo in photos
    ]
    looked = [one for one in looked if len(one.places_mm) >= _FEWEST_EACH]
    count = sum(len(one.places_mm) for one in looked)
    if count < _FEWEST:
        raise MeasurementError(
            f"only {count} corners of the sheet lie where the display was seen, too ({_FEWEST} are needed): lay it "
            "where the display lay, across as many mirrors as it reaches"
        )
    wanted = np.concatenate([(one.places_mm - _laid(one, target)) / one.mm_per_px[:, None] for one in looked])
    slope = np.concatenate([_slope(screen, one, k, len(looked), target) for k, one in enumerate(looked)])
    doubts = N_DOUBTS + lean_doubt.count
    known = [*np.sqrt(np.diag(screen.doubt(lean_doubt.count))), *sheet.printed, sheet.height_mm]
    prior = np.concatenate([known, np.full(_PLACE * len(looked), _ANYWHERE)])

    def linear(unknowns: Array) -> tuple[Array, Callable[[], Array]]:
        return wanted - slope @ unknowns, lambda: slope

    solved = robust_least_squares(
        linear,
        np.zeros(len(prior)),
        prior=normal_prior(np.diag(prior**-2.0)),
        sigma=lambda residual: max(sigma_per_axis(residual), _LEAST_PX),
        limit=HUBER_CLOSE,
        passes=_PASSES,
        worth=_WORTH * len(looked),
    )
    glass, thickness, pitch = solved.unknowns[:N_DOUBTS]
    told = replace(
        screen,
        glass_mm=max(screen.glass_mm + float(glass), 0.0),
        thickness_mm=screen.thickness_mm + float(thickness),
        pitch_mm=screen.pitch_mm * (1.0 + float(pitch)),
        covariance=solved.covariance[:doubts, :doubts],
    )
    return told, replace(lean_doubt, found=lean_doubt.found + solved.unknowns[N_DOUBTS:doubts])


def _looked(
    places_mm: Array, lean: Array, lean_doubt: LeanDoubt, corners: Sequence[SheetCorners], target: Target
) -> _Sheet:
    pixels = np.concatenate([one.pixels_px for one in corners])
    board = np.concatenate([one.board_mm for one in corners])
    places, by_px = bilinear(looked_up(places_mm), places_mm.shape, pixels)
    slant, _ = bilinear(looked_up(lean), lean.shape, pixels)
    zone = np.repeat([one.zone for one in corners], [len(one.pixels_px) for one in corners])
    by_lean = lean_doubt.slopes(pixels, zone)
    known = np.isfinite(places).all(axis=-1) & np.isfinite(by_px).all(axis=(1, 2))
    places, slant = places[known] - target.thickness_mm * slant[known], slant[known]
    flat = board_to_table(board[known], replace(target, centre_mm=np.zeros(2), rotation_rad=0.0), height_mm=0.0)[:, :2]
    a, b = flat @ [1.0, 1.0j], places @ [1.0, 1.0j]
    turn = np.exp(1j * np.angle(np.vdot(a - a.mean(), b - b.mean()))) if len(a) else 1.0 + 0.0j
    return _Sheet(
        places_mm=places,
        lean=slant,
        by_lean=by_lean[known],
        mm_per_px=np.sqrt(np.sum(by_px[known] ** 2, axis=(1, 2)) / 2.0),
        flat_mm=flat,
        bends=print_bends(board[known], board_size_mm(target)),
        turn=np.array([[turn.real, -turn.imag], [turn.imag, turn.real]]),
    )


def _laid(one: _Sheet, target: Target) -> Array:
    """(N, 2) where the corners are if the sheet lies as it fits best (Kabsch, 1976)."""
    turned = one.flat_mm @ one.turn.T
    return np.asarray(turned - turned.mean(axis=0) + one.places_mm.mean(axis=0))


def _slope(screen: Screen, one: _Sheet, number: int, sheets: int, target: Target) -> Array:
    """(N, 2, n) how corners by the sheet minus those by the display move with the unknowns, camera pixels."""
    turned = one.flat_mm @ one.turn.T
    middle = turned - turned.mean(axis=0)
    on_table = one.places_mm + target.thickness_mm * one.lean
    by_display = screen_slopes(screen, on_table, one.lean, one.by_lean)
    by_display[..., N_DOUBTS:] -= target.thickness_mm * one.by_lean
    upright = one.turn @ np.diag([1.0, -1.0])  # the board's y runs down
    by_print = np.einsum("ij,njk->nik", upright, one.bends)
    by_place = np.zeros((*middle.shape, _PLACE * sheets))
    by_place[:, 0, _PLACE * number] = by_place[:, 1, _PLACE * number + 1] = 1.0
    by_place[..., _PLACE * number + 2] = np.stack([-middle[:, 1], middle[:, 0]], axis=-1)
    slope = np.concatenate([-by_display, by_print, one.lean[..., None], by_place], axis=-1)
    return np.asarray(slope / one.mm_per_px[:, None, None])
