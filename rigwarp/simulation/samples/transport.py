"""Where on the screen the light of each projector pixel lands by way of one piece: rays from all over the pupil."""

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.sparse import csc_array

from rigwarp.geometry import Array, IntArray
from rigwarp.simulation.samples.sheet import BEAMS, beam_shares, trace_piece
from rigwarp.simulation.samples.truth import BenchTruth, Piece

_GRID_MM = 0.25  # between the mirror points that are traced exactly
RAYS = {"main": 64, "front": 16, "third": 16}
_GOLDEN_ANGLE = np.pi * (3.0 - np.sqrt(5.0))
_MARGIN_MM = 4.0
_MOST_WINDOW = 41  # screen points that one pixel's light is spread over
_PLASTIC = np.array([0.7548776662466927, 0.5698402909980532])  # multiples fill a square evenly (Roberts 2018)
_ROW = 1024
PER_PIXEL = 2  # screen points per projector pixel


@dataclass(frozen=True, kw_only=True)
class Transport:
    """Light of lit projector pixels onto the screen.

    Attributes
    ----------
    pixels : (2, n) their u and v.
    matrices : beam -> (screen points, n).
    weights : beam -> (3, n) share of the light by colour.
    shape : (rows, columns) of the screen's grid, half a pixel apart about the screen's middle.
    """

    pixels: IntArray
    matrices: dict[str, csc_array]
    weights: dict[str, Array]
    shape: tuple[int, int]


def build_transport(truth: BenchTruth, piece: Piece, shift_mm: Array) -> Transport:
    """Transport of a piece that lies `shift_mm` off the middle of the seat."""
    pixels = _lit_pixels(truth)
    places = (pixels - (np.array(truth.resolution) - 1.0) / 2.0) * truth.pixel_mm
    chief = _mirror_points(truth, places, np.zeros(2))
    fields = _landing_fields(truth, piece, shift_mm)
    seen = _opening_share(truth, chief) * _between_specks(truth, piece, chief - shift_mm)
    radius = np.linalg.norm(chief, axis=-1) / (0.5 * min(truth.opening_mm))
    seen *= 1.0 - piece.paler_rim * np.minimum(radius, 1.0) ** 2
    shape = screen_shape(truth)
    way = np.column_stack([chief, np.zeros(len(chief))]) - _frame(truth)[0]
    incidence = np.arccos(np.abs(way[:, 2]) / np.linalg.norm(way, axis=-1))
    shares = [beam_shares(piece, colour, incidence) for colour in range(3)]
    matrices = {
        name: _spread(truth, pixels, places, field, RAYS[name], shape)
        for name, field in fields.items()
        if name in BEAMS
    }
    weights = {name: np.stack([share[name] for share in shares]) * seen for name in matrices}
    return Transport(pixels=pixels.T.astype(int), matrices=matrices, weights=weights, shape=shape)


def _frame(truth: BenchTruth) -> tuple[Array, Array, Array, Array]:
    """Projector's place, beam direction before and after the mirror, and the picture's x axis before it."""
    sine, cosine = np.sin(truth.angle_rad), np.cos(truth.angle_rad)
    place = truth.near_mm * np.array([-sine, 0.0, cosine])
    return place, np.array([sine, 0.0, -cosine]), np.array([sine, 0.0, cosine]), np.array([cosine, 0.0, sine])


def _mirror_points(truth: BenchTruth, places: Array, pupil: Array) -> Array:
    """(n, 2) where the rays from a pupil point (2,) mm to picture points (n, 2) mm pass the mirror's plane."""
    place, ahead, _, x_axis = _frame(truth)
    start = place + pupil[0] * x_axis  # out of the plane of incidence it lies at pupil[1]
    end = place + (truth.near_mm + truth.far_mm) * ahead
    across = end[0] - start[0] + places[:, 0] * x_axis[0]
    share = start[2] / (start[2] - end[2] - places[:, 0] * x_axis[2])
    return np.stack([start[0] + share * across, pupil[1] + share * (places[:, 1] - pupil[1])], axis=-1)


def _lit_pixels(truth: BenchTruth) -> Array:
    width, height = truth.resolution
    u, v = np.meshgrid(np.arange(width), np.arange(height))
    pixels = np.stack([u.ravel(), v.ravel()], axis=-1).astype(float)
    middle = (np.array(truth.resolution) - 1.0) / 2.0
    chief = _mirror_points(truth, (pixels - middle) * truth.pixel_mm, np.zeros(2))
    return pixels[np.all(np.abs(chief) < np.array(truth.opening_mm) / 2.0 + _footprint_radii(truth), axis=-1)]


def _footprint_radii(truth: BenchTruth) -> Array:
    """(2,) half the width of the beam on the mirror, in and out of the plane of incidence."""
    radius = 0.5 * truth.pupil_mm * truth.far_mm / (truth.near_mm + truth.far_mm)
    return radius * np.array([1.0 / np.cos(truth.angle_rad), 1.0])


def _opening_share(truth: BenchTruth, chief: Array) -> Array:
    """Part of each beam that passes the opening: segments of a disc, taken as independent in the corners."""
    reach = np.array(truth.opening_mm) / 2.0 - np.abs(chief)
    t = np.clip(reach / _footprint_radii(truth), -1.0, 1.0)
    share = 1.0 - (np.arccos(t) - t * np.sqrt(1.0 - t**2)) / np.pi
    return np.prod(share, axis=-1)


def _between_specks(truth: BenchTruth, piece: Piece, chief: Array) -> Array:
    """Part of each beam that no speck stops: the area that two discs share."""
    share = np.ones(len(chief))
    radii = _footprint_radii(truth)
    mean = float(np.sqrt(radii[0] * radii[1]))
    for x, y, diameter in piece.specks:
        away = np.linalg.norm((chief - [x, y]) * (mean / radii), axis=-1)
        share -= _lens(away, mean, 0.5 * diameter) / (np.pi * mean**2)
    return np.clip(share, 0.0, 1.0)


def _lens(away: Array, large: float, small: float) -> Array:
    large, small = max(large, small), min(large, small)
    area = np.where(away < large - small, np.pi * small**2, 0.0)
    cut = (away >= large - small) & (away < large + small)
    d = away[cut]
    first = np.clip((d**2 + small**2 - large**2) / (2 * d * small), -1, 1)
    second = np.clip((d**2 + large**2 - small**2) / (2 * d * large), -1, 1)
    root = np.sqrt(
        np.maximum((-d + small + large) * (d + small - large) * (d - small + large) * (d + small + large), 0)
    )
    area[cut] = small**2 * np.arccos(first) + large**2 * np.arccos(second) - 0.5 * root
    return area


def _landing_fields(truth: BenchTruth, piece: Piece, shift_mm: Array) -> dict[str, Array]:
    """Beam -> (rows, columns, 2) mm on the screen off a plane mirror's landing, over a grid of mirror points."""
    place, _, after, x_before = _frame(truth)
    half = _grid_half(truth)
    x, y = np.meshgrid(np.arange(-half[0], half[0] + 1) * _GRID_MM, np.arange(-half[1], half[1] + 1) * _GRID_MM)
    points = np.stack([x, y, np.zeros_like(x)], axis=-1)
    ways = points - place
    ways /= np.linalg.norm(ways, axis=-1, keepdims=True)
    own = points - np.append(shift_mm, 0.0)
    x_axis = np.array([x_before[0], 0.0, -x_before[2]])

    def landing(start: Array, directions: Array) -> Array:
        far = (truth.far_mm - start @ after) / (directions @ after)
        hit = start + far[..., None] * directions
        return np.stack([hit @ x_axis, hit[..., 1]], axis=-1)

    plane = landing(own, ways * np.array([1.0, 1.0, -1.0]))
    return {name: landing(*way) - plane for name, way in trace_piece(piece, own, ways).items()}


def _grid_half(truth: BenchTruth) -> tuple[int, int]:
    x, y = np.ceil((np.array(truth.opening_mm) / 2.0 + 2.0 * _footprint_radii(truth) + _MARGIN_MM) / _GRID_MM)
    return int(x), int(y)


def screen_shape(truth: BenchTruth) -> tuple[int, int]:
    """Rows and columns, both odd, that hold the opening's picture and some dark around it."""
    scale = (truth.near_mm + truth.far_mm) / truth.near_mm
    size = np.array(truth.opening_mm) * scale * [np.cos(truth.angle_rad) * 1.08, 1.0] + 30.0
    columns, rows = (2 * int(np.ceil(0.5 * s * PER_PIXEL / truth.pixel_mm)) + 1 for s in size)
    return rows, columns


def _spread(
    truth: BenchTruth, pixels: Array, places: Array, field: Array, rays: int, shape: tuple[int, int]
) -> csc_array:
    """Matrix of where the rays of each pixel land, each shared by the four screen points around it."""
    half = _grid_half(truth)
    field = np.asarray(field, np.float32)
    pitch = truth.pixel_mm / PER_PIXEL

    over = truth.pixel_mm * _over_pixel(rays)
    # in every other pixel mirrored: where in the pixel a ray starts has nothing to do with where in the pupil
    side = 1.0 - 2.0 * (pixels.sum(axis=-1, keepdims=True) % 2.0)

    def landed(ray: int) -> Array:
        radius = 0.5 * truth.pupil_mm * np.sqrt((ray + 0.5) / rays)
        pupil = radius * np.array([np.cos(ray * _GOLDEN_ANGLE), np.sin(ray * _GOLDEN_ANGLE)])
        start = places + side * over[ray]
        off = _read(field, _mirror_points(truth, start, pupil) / _GRID_MM + half)
        return (start + off) / pitch + (np.array(shape[::-1]) - 1.0) / 2.0

    ends = [landed(ray) for ray in range(rays)]
    low = np.floor(np.min(ends, axis=0)).astype(int)
    wide = min(int(np.max(np.floor(np.max(ends, axis=0)) - low)) + 2, _MOST_WINDOW)
    window = np.zeros((len(places), wide * wide), np.float32)
    flat, start = window.reshape(-1), np.arange(len(places)) * wide * wide
    for end in ends:
        local = np.clip(end - low, 0.0, wide - 1.001)
        whole = local.astype(int)
        (x, y), first = (local - whole).T.astype(np.float32), start + whole[:, 1] * wide + whole[:, 0]
        for step, share in ((0, (1 - x) * (1 - y)), (1, x * (1 - y)), (wide, (1 - x) * y), (wide + 1, x * y)):
            flat[first + step] += share
    return _sparse(window / np.float32(rays), low, wide, shape)


def _over_pixel(rays: int) -> Array:
    """(rays, 2) where they start, in pixels off its middle: spread evenly over it, and over a screen point about that.

    Light is shared among grid points in straight lines. Where a point alone was shared, stripes of four pixels would
    keep 0.3 % more or less of their contrast by where on the grid a beam lands; from all over a screen point, 0.04 %.
    """
    share = (np.arange(rays)[:, None] + 0.5) * (2.0 * (_PLASTIC * rays // 2.0) + 1.0) / rays % 1.0
    # an odd number of steps in as many places: along either axis they are all there, and evenly; in a drawn order:
    # their own follows that of places in the pupil, and by way of waves stripes of four pixels lost 0.9 % too much
    share = share[np.random.default_rng(0).permutation(rays)]
    off, even, sloping = 2.0 * share - 1.0, 1.0 - 1.0 / PER_PIXEL, 1.0 / PER_PIXEL
    beyond = 0.5 * (1.0 + sloping) - np.sqrt((1.0 - np.abs(off)) * sloping)
    return np.asarray(np.sign(off) * np.where(np.abs(off) < even, 0.5 * np.abs(off), beyond))


def _read(field: np.ndarray, at: Array) -> Array:
    """(n, 2) values between the points of a grid at (n, 2) places (column, row)."""
    rows = -(-len(at) // _ROW)
    padded = np.zeros((rows * _ROW, 2), np.float32)
    padded[: len(at)] = at
    x, y = (np.ascontiguousarray(padded[:, i].reshape(rows, _ROW)) for i in (0, 1))  # cv2 limits the length of a row
    values = cv2.remap(field, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(values.reshape(-1, 2)[: len(at)], float)


def _sparse(window: np.ndarray, low: Array, wide: int, shape: tuple[int, int]) -> csc_array:
    where = np.flatnonzero(window)
    pixel, inside = np.divmod(where, wide * wide)
    down, right = np.divmod(inside, wide)
    columns, rows = low[pixel, 0] + right, low[pixel, 1] + down
    good = (columns >= 0) & (columns < shape[1]) & (rows >= 0) & (rows < shape[0])
    starts = np.concatenate([[0], np.cumsum(np.bincount(pixel[good], minlength=len(low)))])
    index = (rows * shape[1] + columns)[good].astype(np.int32)
    return csc_array((window.ravel()[where[good]], index, starts), shape=(shape[0] * shape[1], len(low)))
