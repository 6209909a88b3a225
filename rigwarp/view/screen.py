"""Places on the table told by a flat display that lies on it: where, and what its glass does to slanting sights."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode import Decoded
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray, rigid_move
from rigwarp.rig import Table, inside_table
from rigwarp.view.design import lean_of
from rigwarp.view.lean import LeanDoubt, mirror_points
from rigwarp.view.parts import ViewPart
from rigwarp.view.pieces import find_pieces, nearest_piece, surface_of
from rigwarp.view.seen import Seen, mm_per_px, mostly_lit, scan_error_mm

N_DOUBTS: Final = 6
"""What is not known of a display: glass and thickness, mm; pitch, as a share; its middle (x, y), mm, and turn."""
_FEWEST_SHARED = 500  # pixels that see the display at two of its places
_FEWEST = 2000
_LAID_MM = 0.01  # how well one place is known against another
_AGREE_MM = 0.5  # places that share pixels agree much better, or one of them was decoded wrongly
_PASSES = 3
_SIGMAS = 6.0  # usual distances: pixels that disagree by more were decoded wrongly
_GLASS_PASSES = 3  # lean and glass hang together: each pass is off by a hundredth of the one before
_EDGE_PX = 3.0  # camera pixels that blur and aperture reach
_CHUNK = 1 << 17


@dataclass(frozen=True, kw_only=True)
class Screen:
    """A display that lies flat on the table.

    Attributes
    ----------
    pixels : (width, height) in native pixels.
    pitch_mm, pitch_sigma : of its pixels; the latter as a share.
    thickness_mm, thickness_sigma_mm : how high the top of its glass lies over the table: by a caliper.
    glass_mm, glass_sigma_mm : from the top of the glass down to the pixels, which is seldom known.
    glass_index : of refraction.
    covariance : (6 + m, 6 + m) of glass_mm, thickness_mm, pitch, centre_mm, rotation_rad and the m errors of the lean
        (in sigmas), where a printed sheet told them together.
    print_share : of the variance of places that it then shows, what an exactly known print would take away.
    centre_mm, rotation_rad : where the middle of its pixels lay the first time; 0: its top edge towards +y. Without a
        sheet this is what says where the table's frame is.
    """

    pixels: tuple[int, int]
    pitch_mm: float
    thickness_mm: float
    thickness_sigma_mm: float = 0.05
    pitch_sigma: float = 0.0005
    glass_mm: float = 1.0
    glass_sigma_mm: float = 0.3
    glass_index: float = 1.52
    covariance: Array | None = None
    print_share: float = 0.0
    centre_mm: tuple[float, float] = (0.0, 0.0)
    rotation_rad: float = 0.0

    def doubt(self, of_lean: int = 0) -> Array:
        """(6 + m, 6 + m) covariance of what is not surely known and of `of_lean` errors of the lean."""
        if self.covariance is not None:
            return self.covariance[: N_DOUBTS + of_lean, : N_DOUBTS + of_lean]
        known = [self.glass_sigma_mm, self.thickness_sigma_mm, self.pitch_sigma, 0.0, 0.0, 0.0]
        return np.diag(np.concatenate([known, np.ones(of_lean)])) ** 2

    def spots_mm(self, u_px: Array, v_px: Array) -> Array:
        """(..., 2) of its pixels in its own frame: origin in its middle, x right, y to its top edge."""
        width, height = self.pixels
        return self.pitch_mm * np.stack([u_px - (width - 1) / 2, (height - 1) / 2 - v_px], axis=-1)

    def glass_run(self, lean: Array) -> Array:
        """(...) share of the lean with which lines of sight (..., 2) run sideways in the glass (Snell's law)."""
        square = np.sum(lean**2, axis=-1)
        return np.asarray(1.0 / np.sqrt(self.glass_index**2 + (self.glass_index**2 - 1.0) * square))


def screen_slopes(screen: Screen, table_mm: Array, lean: Array, by_lean: Array) -> Array:
    """(N, 2, 6 + m) how places on the table, told by a display, move with its doubts and with lean errors.

    `by_lean` (N, 2, m) is how the lean moves with these. That glass then bends a little less or more is left out: it is
    a fiftieth of what the way above the table does.
    """
    share = screen.glass_run(lean)[..., None]
    height = screen.thickness_mm - screen.glass_mm * share
    spot = table_mm - height * lean - np.array(screen.centre_mm)
    x, y = (np.broadcast_to(axis, spot.shape) for axis in np.eye(2))
    turned = np.stack([-spot[:, 1], spot[:, 0]], axis=-1)
    of_display = np.stack([-share * lean, lean, spot, x, y, turned], axis=-1)
    return np.concatenate([of_display, height[..., None] * by_lean], axis=-1)


@dataclass(frozen=True, kw_only=True)
class ScreenLaid:
    """Where the display lay each time: middle (2,) mm and turn, rad."""

    centre_mm: Array
    rotation_rad: float


@dataclass(frozen=True, kw_only=True)
class ScreenSeen:
    """What a display showed.

    Attributes
    ----------
    seen : places on the table, below the display.
    lean : (H, W, 2) of the lines of sight there.
    laid : where it lay each time.
    """

    seen: Seen
    lean: Array
    laid: tuple[ScreenLaid, ...]


def seen_by_screen(
    decoded: Sequence[Decoded], screen: Screen, parts: Sequence[ViewPart], lean_doubt: LeanDoubt, table: Table
) -> ScreenSeen:
    """Places on the table that a display showed, at one or more places.

    Parameters
    ----------
    decoded : per place, which of the display's pixels each pixel of the camera sees.
    screen : the display; its first place says where the table's frame is.
    parts : of the registered view, for the lean of its lines of sight, and `lean_doubt` how well that is known.
    table : the surface.

    Raises
    ------
    MeasurementError
        Hardly anything is seen, or a place does not overlap with the others.

    Notes
    -----
    The line of sight of table place P and lean a crosses the top of the glass, at height H, at P - H a, and meets the
    pixels t deeper at P - (H - t g) a; with the index n, tan of the angle in the glass is g |a|, g = 1 / sqrt(n^2 +
    (n^2 - 1) |a|^2). What a pixel sees at two places leans alike, so that glass and height cancel where these are laid
    against each other; which is also why no number of places tells the glass: a printed sheet does (`screen_by_sheet`),
    else it is in sigma.
    """
    laid, spot, random, light = _joined(screen, decoded)
    lean, zone = _leans(screen, spot, parts, lean_doubt, float(np.hypot(*table.size_mm)))
    place = spot + (screen.thickness_mm - screen.glass_mm * screen.glass_run(lean))[..., None] * lean
    known = np.isfinite(place[..., 0])
    known[known] = inside_table(table, place[known])
    if np.count_nonzero(known) < _FEWEST:
        raise MeasurementError(
            f"only {np.count_nonzero(known)} pixels of the view see the display on the table ({_FEWEST} are needed). "
            "Lay it where the camera sees it over its mirrors, in a dim room, at full brightness"
        )
    scan_mm = np.max([scan_error_mm(one, place, screen.pitch_mm) for one in decoded], axis=0)
    common = np.full(known.shape, np.nan)
    common[known] = _doubt_mm(screen, place[known], lean[known], lean_doubt, _pixels(known), zone[known])
    seen = Seen(
        table_mm=np.where(known[..., None], place, np.nan),
        random_mm=np.where(known, random, np.nan),
        common_mm=np.where(known, np.sqrt(common**2 + _LAID_MM**2 + scan_mm**2), np.nan),
        light=np.where(known, light, np.nan),
    )
    return ScreenSeen(seen=seen, lean=lean, laid=tuple(laid))


def _joined(screen: Screen, decoded: Sequence[Decoded]) -> tuple[list[ScreenLaid], Array, Array, Array]:
    """Where the display lay; where on its plane sights meet it (H, W, 2), their random error (H, W), mm; their light.

    At a fold each place of the display may be seen over another mirror: those count by which most of the lens saw it.
    """
    lights = [np.where(o.valid, o.light, np.nan) for o in decoded]
    spots = [
        np.where(mostly_lit(light)[..., None], screen.spots_mm(o.u_px, o.v_px), np.nan).astype(float)
        for o, light in zip(decoded, lights, strict=True)
    ]
    inner = [np.where(_at_edge(screen, o, one)[..., None], np.nan, one) for o, one in zip(decoded, spots, strict=True)]
    laid = _lay(inner, screen)
    there = np.stack([_placed(one, place) for one, place in zip(spots, laid, strict=True)])
    variance = np.stack([screen.pitch_mm**2 * (o.sigma_u_px**2 + o.sigma_v_px**2) / 2.0 for o in decoded]).astype(float)
    weight = np.where(np.isfinite(there[..., 0]), 1.0 / variance, 0.0)
    better = weight * np.isfinite(np.stack(inner)[..., 0])
    weight = np.where(better.any(axis=0), better, weight)
    total = weight.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        spot = np.sum(weight[..., None] * np.nan_to_num(there), axis=0) / total[..., None]
        return laid, spot, np.sqrt(1.0 / total), np.fmax.reduce(lights)


def _at_edge(screen: Screen, decoded: Decoded, spots_mm: Array) -> BoolArray:
    """(H, W) pixels so near to the display's edge that blur mixes its stripes with what lies past it.

    That draws their places inwards: no matter at the rim of all that was seen; within it another place tells better.
    """
    (width, height), u, v = screen.pixels, decoded.u_px, decoded.v_px
    inside_px = np.minimum(np.minimum(u, width - 1 - u), np.minimum(v, height - 1 - v))
    with np.errstate(invalid="ignore"):
        return np.asarray(screen.pitch_mm * inside_px < _EDGE_PX * mm_per_px(spots_mm))


def _leans(
    screen: Screen, spot_mm: Array, parts: Sequence[ViewPart], lean_doubt: LeanDoubt, table_size_mm: float
) -> tuple[Array, NDArray[np.int64]]:
    """(H, W, 2) leans of the sights that meet the display at spots (H, W, 2), and their zones (H, W), -1 for none.

    Which mirror a pixel looks into is told by where the spots jump. Where the design has the edge of a mirror, even if
    registered, is some pixels off: there the neighbour's lean would put places millimetres aside.
    """
    pieces = find_pieces(spot_mm, parts, table_size_mm)
    nearest, _ = nearest_piece(pieces, spot_mm.shape[:2])
    lean, zone = np.full(spot_mm.shape, np.nan), np.full(nearest.shape, -1, np.int64)
    for number, piece in enumerate(pieces):
        here = (nearest == number) & np.isfinite(spot_mm[..., 0])
        if (part := piece.part) is None or not here.any():
            continue
        surface = surface_of(part, piece.here, spot_mm)
        zone[here] = part.first_zone + surface
        at_mirror = mirror_points(part, surface, here)
        shift = lean_doubt.shift(_pixels(here), zone[here])
        height_mm = np.full(len(shift), screen.thickness_mm)
        for _ in range(_GLASS_PASSES):
            leans = lean_of(part.model, spot_mm[here], at_mirror, height_mm) + shift
            height_mm = screen.thickness_mm - screen.glass_mm * screen.glass_run(leans)
        lean[here] = leans
    return lean, zone


def _pixels(here: BoolArray) -> Array:
    """(N, 2) pixels (u, v) of a mask (H, W)."""
    return np.argwhere(here)[:, ::-1].astype(float)


def _doubt_mm(
    screen: Screen, place_mm: Array, lean: Array, lean_doubt: LeanDoubt, pixels_px: Array, zone: NDArray[np.int64]
) -> Array:
    """(N,) 1-sigma per axis of places (N, 2) at raw pixels: of the display and of the lean."""
    doubt = screen.doubt(lean_doubt.count)
    found = np.empty(len(place_mm))
    for start in range(0, len(found), _CHUNK):
        some = slice(start, start + _CHUNK)
        by_lean = lean_doubt.slopes(pixels_px[some], zone[some])
        slopes = screen_slopes(screen, place_mm[some], lean[some], by_lean)
        found[some] = np.sqrt(np.sum((slopes @ doubt) * slopes, axis=(1, 2)) / 2.0)
    return found


def _lay(local: Sequence[Array], screen: Screen) -> list[ScreenLaid]:
    """Where the display lay each time: the next one is always that which shares most pixels with those known."""
    first = ScreenLaid(centre_mm=np.array(screen.centre_mm, float), rotation_rad=screen.rotation_rad)
    laid: dict[int, ScreenLaid] = {0: first}
    union = _placed(local[0], first)
    while len(laid) < len(local):
        shared = {
            number: int(np.count_nonzero(np.isfinite(spots[..., 0]) & np.isfinite(union[..., 0])))
            for number, spots in enumerate(local)
            if number not in laid
        }
        number = max(shared, key=lambda n: shared[n])
        if shared[number] < _FEWEST_SHARED:
            raise MeasurementError(
                f"place {number + 1} of the display shares {shared[number]} pixels with the other places "
                f"({_FEWEST_SHARED} are needed): lay it so that it overlaps with where it lay before"
            )
        laid[number] = _rigid(local[number], union)
        placed = _placed(local[number], laid[number])
        off_mm = float(np.nanmedian(np.linalg.norm(placed - union, axis=-1)))
        if off_mm > _AGREE_MM:
            raise MeasurementError(
                f"place {number + 1} of the display does not fit onto where it lay before: what both show is usually "
                f"{off_mm:.1f} mm apart. Look whether its photographs are sharp and show its own pictures in order, "
                "and take them again"
            )
        union = np.where(np.isfinite(union), union, placed)
    return [laid[number] for number in range(len(local))]


def _rigid(spots: Array, target: Array) -> ScreenLaid:
    """Shift and turn that bring (H, W, 2) onto others where both are known; without outliers."""
    both = np.isfinite(spots[..., 0]) & np.isfinite(target[..., 0])
    a, b = spots[both], target[both]
    keep = np.ones(len(a), bool)
    place = ScreenLaid(centre_mm=np.zeros(2), rotation_rad=0.0)
    for _ in range(_PASSES):
        centre_mm, turn = rigid_move(a[keep], b[keep])
        place = ScreenLaid(centre_mm=centre_mm, rotation_rad=turn)
        off = np.linalg.norm(_placed(a, place) - b, axis=-1)
        keep = off <= _SIGMAS * max(float(np.median(off)), 1e-6)
    return place


def _placed(spots: Array, place: ScreenLaid) -> Array:
    return np.asarray(place.centre_mm + _turned(spots, place.rotation_rad))


def _turned(spots: Array, angle: float) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    return np.stack([c * spots[..., 0] - s * spots[..., 1], s * spots[..., 0] + c * spots[..., 1]], axis=-1)
