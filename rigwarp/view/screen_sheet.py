"""What a printed sheet tells of a display: where it lay, glass, thickness and pitch, which its places do not tell.

A sheet has no glass, and no height to speak of. The first one lies where it is said to, and so says where the frame is;
others lie anywhere. Photographed over the same mirrors, their corners are where the display's places put them only if
glass (which shifts slanting sights), thickness and pitch are right: a linear least squares in these, where the display
lay, the sheets' own print and height, and where the others lie.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rigwarp.camera import SheetSigma
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, plane_rotation
from rigwarp.geometry.robust import HUBER_CLOSE, normal_prior, robust_least_squares, sigma_per_axis
from rigwarp.rig.model import Target
from rigwarp.table_map.inverse import bilinear, looked_up
from rigwarp.view.lean import LEAN_KNOWN, LeanDoubt
from rigwarp.view.printed.found import SheetCorners
from rigwarp.view.printed.lying import by_place, by_print, laid_as_seen, on_table, require_near
from rigwarp.view.screen import N_DOUBTS, Screen, ScreenSeen, screen_slopes
from rigwarp.view.seen import filled

_FEWEST = 12  # corners
_FEWEST_EACH = 4
_LEAST_PX = 0.03  # 1-sigma of a corner, at best
_WORTH = 150.0  # corners: paper and blur move neighbours alike
_PASSES = 8
_LAID, _PLACE = slice(3, N_DOUBTS), 3  # unknowns: of where the display lay, and of where a sheet lies
_ANYWHERE = 1e3  # mm and rad


@dataclass(frozen=True, kw_only=True)
class _Sheet:
    """(N,) corners of one sheet where the display's places put them, and where it lies: as told, or by these."""

    places_mm: Array
    lean: Array
    by_lean: Array
    mm_per_px: Array
    board_mm: Array
    laid: Target


def laid_by_sheet(screen: Screen, looked_at: ScreenSeen, corners: Sequence[SheetCorners], target: Target) -> Screen:
    """The display where the first sheet, which lies where `target` has it, says that it lay: by a rigid move.

    Raises
    ------
    MeasurementError
        The first sheet is hardly seen where the display was, or lies elsewhere.
    """
    found = _looked(looked_at, LEAN_KNOWN, _of_photo(corners, 0), target)
    if len(found.places_mm) < _FEWEST_EACH:
        raise MeasurementError(
            f"only {len(found.places_mm)} corners of the first sheet, which says where the table's frame is, lie where "
            f"the display was seen, too ({_FEWEST_EACH} are needed): lay the display there, too, or the sheet where it "
            "was, and say so in [view.target]"
        )
    require_near(found.laid, target)
    turn = target.rotation_rad - found.laid.rotation_rad
    aside = plane_rotation(turn) @ (np.array(screen.centre_mm) - found.laid.centre_mm)
    x, y = (target.centre_mm + aside).tolist()
    return replace(screen, centre_mm=(x, y), rotation_rad=screen.rotation_rad + turn)


def screen_by_sheet(
    screen: Screen,
    looked_at: ScreenSeen,
    lean_doubt: LeanDoubt,
    corners: Sequence[SheetCorners],
    target: Target,
    sheet: SheetSigma,
) -> tuple[Screen, LeanDoubt]:
    """The display and the lean at which the sheets are as they were printed, and their covariance.

    Parameters
    ----------
    screen, looked_at : the display as described, where `laid_by_sheet` has it, and what it shows with that.
    lean_doubt : how well the lean is known.
    corners : of sheets on the table, by photograph and zone.
    target, sheet : the print, where the first one lies, and how well the print and its height are known.

    Raises
    ------
    MeasurementError
        The sheets are hardly seen where the display was.
    """
    photos = sorted({one.photo for one in corners})
    looked = [_looked(looked_at, lean_doubt, _of_photo(corners, photo), target) for photo in photos]
    looked = [replace(looked[0], laid=target), *(one for one in looked[1:] if len(one.places_mm) >= _FEWEST_EACH)]
    count = sum(len(one.places_mm) for one in looked)
    if count < _FEWEST:
        raise MeasurementError(
            f"only {count} corners of the sheet lie where the display was seen, too ({_FEWEST} are needed): lay it "
            "where the display lay, across as many mirrors as it reaches"
        )
    wanted = np.concatenate(
        [(one.places_mm - on_table(one.board_mm, one.laid)) / one.mm_per_px[:, None] for one in looked]
    )
    slope = np.concatenate([_slope(screen, one, k, len(looked) - 1, sheet) for k, one in enumerate(looked)])
    doubts = N_DOUBTS + lean_doubt.count
    known = np.sqrt(np.diag(screen.doubt(lean_doubt.count)))
    known[_LAID] = _ANYWHERE
    prior = np.concatenate([known, np.ones(3), [sheet.height_mm], np.full(_PLACE * (len(looked) - 1), _ANYWHERE)])

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
    exact = solved.precision.copy()
    exact[range(doubts, doubts + 3), range(doubts, doubts + 3)] = 1e12
    shown = slope[..., :doubts].reshape(-1, doubts)
    with_print, without = (
        float(np.sum((shown @ covariance[:doubts, :doubts]) * shown))
        for covariance in (solved.covariance, np.linalg.inv(solved.normal + exact))
    )
    glass, thickness, pitch, x, y, turn = solved.unknowns[:N_DOUBTS].tolist()
    told = replace(
        screen,
        glass_mm=max(screen.glass_mm + glass, 0.0),
        thickness_mm=screen.thickness_mm + thickness,
        pitch_mm=screen.pitch_mm * (1.0 + pitch),
        centre_mm=(screen.centre_mm[0] + x, screen.centre_mm[1] + y),
        rotation_rad=screen.rotation_rad + turn,
        covariance=solved.covariance[:doubts, :doubts],
        print_share=1.0 - without / with_print,
    )
    return told, replace(lean_doubt, found=lean_doubt.found + solved.unknowns[N_DOUBTS:doubts])


def _of_photo(corners: Sequence[SheetCorners], photo: int) -> list[SheetCorners]:
    return [one for one in corners if one.photo == photo]


def _looked(looked_at: ScreenSeen, lean_doubt: LeanDoubt, corners: Sequence[SheetCorners], target: Target) -> _Sheet:
    """Corners of one sheet; it lies as it fits best."""
    pixels = np.concatenate([one.pixels_px for one in corners])
    board = np.concatenate([one.board_mm for one in corners])
    places, by_px = bilinear(looked_up(looked_at.seen.table_mm), looked_at.lean.shape, pixels)
    slant, _ = bilinear(looked_up(filled(looked_at.lean)), looked_at.lean.shape, pixels)
    zone = np.repeat([one.zone for one in corners], [len(one.pixels_px) for one in corners])
    known = np.isfinite(places).all(axis=-1) & np.isfinite(by_px).all(axis=(1, 2))
    by_lean = lean_doubt.slopes(pixels, zone)[known]
    places, slant, board = places[known] - target.thickness_mm * slant[known], slant[known], board[known]
    return _Sheet(
        places_mm=places,
        lean=slant,
        by_lean=by_lean,
        mm_per_px=np.sqrt(np.sum(by_px[known] ** 2, axis=(1, 2)) / 2.0),
        board_mm=board,
        laid=laid_as_seen(board, places, target) if len(board) else target,
    )


def _slope(screen: Screen, one: _Sheet, number: int, others: int, sheet: SheetSigma) -> Array:
    """(N, 2, n) how corners by the sheet minus those by the display move with the unknowns, camera pixels."""
    on_table = one.places_mm + one.laid.thickness_mm * one.lean
    by_display = screen_slopes(screen, on_table, one.lean, one.by_lean)
    by_display[..., N_DOUBTS:] -= one.laid.thickness_mm * one.by_lean
    of_print = by_print(one.board_mm, one.laid, sheet)
    of_places = np.zeros((*one.lean.shape, _PLACE * others))
    if number:
        of_places[..., _PLACE * (number - 1) : _PLACE * number] = by_place(one.board_mm, one.laid)
    slope = np.concatenate([-by_display, of_print, one.lean[..., None], of_places], axis=-1)
    return np.asarray(slope / one.mm_per_px[:, None, None])
