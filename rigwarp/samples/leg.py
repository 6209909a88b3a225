"""The photographs by way of one mirror ("a leg" of a cycle): linear light, stripe contrast, where each pixel lands."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.signal.response import linearise
from rigwarp.errors import InputError, MeasurementError
from rigwarp.geometry import Array, BoolArray, Photo
from rigwarp.geometry.robust import robust_sigma
from rigwarp.samples.bench import SampleBench
from rigwarp.samples.frames import COLOURS, PERIODS_PX, STEPS, SampleFrame, middle_px

Light = NDArray[np.float32]

_CLIPPED = 1e-3  # of the lit pixels, at full scale in any photograph
_DARKEST = 0.02  # of full scale: white less black must be brighter where the mirror sends light
_LIT = 0.4  # of the bright part's light: half-shadows begin there
_MOST_MOVED_PX = 0.3  # camera pixels within a leg: what its stripes say is then no longer where its discs are
_SHAPES: Array = np.arange(1.0, 3.01, 0.05)
_MOST_PAIRS = 40_000  # pixels that tell the camera's curve
_FINE_PX = 16  # periods up to here make the position, longer ones only count whole periods
_KEPT = 0.04  # of the contrast: weaker stripes say nothing about the position
_OVER_PX = 0.75  # 1-sigma, projector pixels: takes out all but 1e-5 of what repeats in every pixel
BLACK_PX, _STANDS_OUT = 2.0, 5.0  # camera pixels that black is smoothed over, and 1-sigmas that are more than noise
_LEAST_AREA = 400  # camera pixels that must be lit


@dataclass(frozen=True, kw_only=True)
class Leg:
    """What one mirror showed; all light less that of the black picture, and without the lamp's drift.

    Attributes
    ----------
    white : (H, W). colours : (3, H, W) red, green and blue.
    dark : disc radius in mrad -> (H, W); haze : "red", "blue" -> (H, W) of the dark disc in that light.
    edges, lines : axis -> (H, W).
    contrast : (axis, period) -> (H, W) amplitude / mean of the stripes.
    position : (H, W, 2) projector pixel seen, NaN outside `lit`; affine : (2, 3) what it is nearly.
    origin : (H, W, 2) the mean of the projector pixels whose light falls there. Where waves gather light from several,
        the phase of the finest stripes, which make `position` sharp, is not that of the mean.
    lit : (H, W) camera pixels with light.
    drift : share by which white grew from the first picture to the last.
    shape : of the camera's response. black_noise : 1-sigma of the black picture's pixels, before it was smoothed.
    """

    white: Light
    colours: Light
    dark: dict[int, Light]
    haze: dict[str, Light]
    edges: dict[str, Light]
    lines: dict[str, Light]
    contrast: dict[tuple[str, int], Light]
    position: Array
    affine: Array
    origin: Array
    lit: BoolArray
    drift: float
    shape: float
    black_noise: float


def read_leg(
    bench: SampleBench,
    frames: Sequence[SampleFrame],
    photos: Sequence[Photo],
    *,
    name: str,
    shape: float | None = None,
) -> Leg:
    """Make a leg of its photographs, in the frames' order.

    Parameters
    ----------
    name : of the mirror, for messages.
    shape : of the camera's response, from the cycle's first leg: found anew for each leg it would differ by 0.003 or
        so, and the ratio of two mirrors by 0.2 %. None: found from these photographs.

    Raises
    ------
    InputError
        Photographs are missing or of the wrong size.
    MeasurementError
        They are overexposed, or no light came by way of the mirror.
    """
    _check(bench, frames, photos, name)
    index = {(f.kind, f.colour, f.axis, f.size, f.step): i for i, f in enumerate(frames)}

    def number(kind: str, *, colour: str = "", axis: str = "x", size: int = 0, step: int = 0) -> int:
        return index[(kind, colour, axis, size, step)]  # type: ignore[index]

    first, last, black_at = number("white"), number("white", step=1), number("black")
    lit = _lit(photos[first], photos[black_at], name)
    _refuse_clipped(frames, photos, lit, name)
    pairs = [(number("dark disc", size=f.size), i) for i, f in enumerate(frames) if f.kind == "bright disc"]
    shape = _response_shape(photos, pairs, first, black_at, lit) if shape is None else shape
    table = np.asarray(linearise(np.arange(_full(photos[0]) + 1) / _full(photos[0]), shape), np.float32)
    black = _without_noise(table[photos[black_at]])
    _refuse_bumped(table[photos[first]] - black, table[photos[last]] - black, lit, name)
    drift = float(np.mean((table[photos[last]] - black)[lit]) / np.mean((table[photos[first]] - black)[lit]) - 1.0)

    def light(i: int) -> Light:
        return np.asarray((table[photos[i]] - black) / np.float32(1.0 + drift * i / (len(photos) - 1)), np.float32)

    sizes = sorted({f.size for f in frames if f.kind == "dark disc"})
    waves = {
        (axis, period): _wave([light(number("stripes", axis=axis, size=period, step=s)) for s in range(STEPS)])
        for axis in ("x", "y")
        for period in PERIODS_PX
    }
    white = 0.5 * (light(first) + light(last))
    edges = {axis: light(number("edge", axis=axis)) for axis in ("x", "y")}
    position, origin, affine = _positions(bench, waves, edges, white, lit)
    return Leg(
        white=white,
        colours=np.stack([light(number("colour", colour=colour)) for colour in COLOURS]),
        dark={size: light(number("dark disc", size=size)) for size in sizes},
        haze={f.colour: light(i) for i, f in enumerate(frames) if f.kind == "dark disc" and f.colour},
        edges=edges,
        lines={axis: light(number("lines", axis=axis)) for axis in ("x", "y")},
        contrast={key: _over_pixels(contrast, affine) for key, (contrast, _) in waves.items()},
        position=position,
        affine=affine,
        origin=origin,
        lit=lit,
        drift=drift,
        shape=shape,
        black_noise=float(np.std((table[photos[black_at]] - black)[lit])),
    )


def _without_noise(black: Light) -> Light:
    """A black picture smoothed over a few pixels; what stands out of its noise is the sensor's or the room's own."""
    smooth = cv2.GaussianBlur(black, (0, 0), BLACK_PX)
    noise = robust_sigma(np.asarray(black - smooth, np.float64).ravel())
    return np.asarray(np.where(np.abs(black - smooth) > _STANDS_OUT * noise, black, smooth), np.float32)


def _full(photo: Photo) -> int:
    return int(np.iinfo(photo.dtype).max)


def _check(bench: SampleBench, frames: Sequence[SampleFrame], photos: Sequence[Photo], name: str) -> None:
    if len(photos) != len(frames):
        raise InputError(f"{name}: found {len(photos)} photographs, expected {len(frames)}. Measure it again.")
    wanted = bench.camera_resolution[::-1]
    wrong = [i for i, photo in enumerate(photos) if photo.shape != wanted]
    if wrong:
        found = " x ".join(str(n) for n in photos[wrong[0]].shape[::-1])
        raise InputError(
            f"{name}: photograph {wrong[0]}: found {found} pixels, expected {wanted[1]} x {wanted[0]}. "
            "Set camera.resolution in bench.toml, or take the photographs again without scaling."
        )


def _lit(white: Photo, black: Photo, name: str) -> BoolArray:
    contrast = white.astype(np.float32) - black.astype(np.float32)
    bright = float(np.quantile(contrast, 0.98))
    found = contrast > _LIT * bright
    if bright < _DARKEST * _full(white) or np.count_nonzero(found) < _LEAST_AREA:
        raise MeasurementError(
            f"{name}: found no light on the screen by way of it (white is {100 * bright / _full(white):.1f} % of full "
            "scale brighter than black), expected the seat's bright picture. Is the mirror in the seat, with its "
            "reflecting side to the beam and its protective film off?"
        )
    return found


def _refuse_clipped(frames: Sequence[SampleFrame], photos: Sequence[Photo], lit: BoolArray, name: str) -> None:
    for i, (frame, photo) in enumerate(zip(frames, photos, strict=True)):
        share = float(np.mean(photo[lit] >= _full(photo)))
        if share > _CLIPPED:
            raise MeasurementError(
                f"{name}: photograph {i} ({frame.words}) is overexposed: {100 * share:.1f} % of its lit pixels are at "
                "full scale. Shorten the exposure until white stays below 90 % of full scale on the brightest mirror, "
                "and measure everything again with it, the reference too."
            )


def _refuse_bumped(first: Light, last: Light, lit: BoolArray, name: str) -> None:
    """Refuse a leg whose picture moved while it was photographed, by its first white and its last."""
    near = cv2.dilate(lit.astype(np.uint8), np.ones((25, 25), np.uint8)) > 0
    smooth = [np.asarray(cv2.GaussianBlur(picture, (0, 0), 1.5), np.float64) for picture in (first, last)]
    by_y, by_x = np.gradient(smooth[0])
    rows = np.stack([smooth[0], -by_x, -by_y], axis=-1)[near]
    (_, *shift), *_ = np.linalg.lstsq(rows, smooth[1][near], rcond=None)
    if float(np.hypot(*shift)) > _MOST_MOVED_PX:
        raise MeasurementError(
            f"{name}: between its first photograph and its last the picture moved by {np.hypot(*shift):.1f} camera "
            f"pixels, expected less than {_MOST_MOVED_PX:.1f}. The camera, the projector or the seat was bumped: fix "
            "it, and photograph this mirror again."
        )


def _response_shape(
    photos: Sequence[Photo], pairs: Sequence[tuple[int, int]], white: int, black: int, lit: BoolArray
) -> float:
    """The camera curve with which a disc and what is around it add up to white, whatever the projector's curve."""
    full = _full(photos[0])
    rows = []
    for dark, bright in pairs:
        four = np.stack([photos[i][lit].astype(float) for i in (dark, bright, white, black)]) / full
        grey = np.minimum(four[0], four[1]) - four[3] > 0.15 * (four[2] - four[3])  # half lit: where curves show
        rows.append(four[:, grey])
    found = np.concatenate(rows, axis=1)
    if found.shape[1] < 50:
        return 2.4 if full == 255 else 1.0
    found = found[:, :: max(1, found.shape[1] // _MOST_PAIRS)]
    # a fit that weighs every pixel by its slope would follow noise: the mean misfit crosses zero at the right curve
    misfit = np.array([np.mean(g[0] + g[1] - g[2] - g[3]) for g in (linearise(found, float(s)) for s in _SHAPES)])
    crossing = np.flatnonzero(np.diff(np.sign(misfit)))
    if not len(crossing):
        return float(_SHAPES[np.argmin(np.abs(misfit))])
    i = int(crossing[0])
    return float(_SHAPES[i] - misfit[i] * (_SHAPES[i + 1] - _SHAPES[i]) / (misfit[i + 1] - misfit[i]))


def _wave(steps: Sequence[Light]) -> tuple[Light, Light]:
    """Contrast of stripes, and their phase in turns."""
    turns = np.exp(2j * np.pi * np.arange(STEPS) / STEPS).astype(np.complex64)
    total = sum(step * turn for step, turn in zip(steps, turns, strict=True)) * np.float32(2.0 / STEPS)
    mean = np.maximum(np.mean(steps, axis=0), np.float32(1e-6))
    return np.asarray(np.abs(total) / mean, np.float32), np.asarray(np.angle(total) / (2 * np.pi), np.float32)


def _over_pixels(contrast: Light, affine: Array) -> Light:
    """Geometric mean over a projector pixel or so.

    The third harmonic of pixels' steps looks like the first to four steps of phase, and adds and takes contrast in
    turn within each pixel; the mean logarithm of |1 + z|, over all turns of z, is 0, and so it is of noise.
    """
    wide = _OVER_PX / float(np.sqrt(abs(np.linalg.det(affine[:, :2]))))
    return np.asarray(
        np.exp(cv2.GaussianBlur(np.log(np.maximum(contrast, np.float32(1e-4))), (0, 0), wide)), np.float32
    )


def _positions(
    bench: SampleBench,
    waves: dict[tuple[str, int], tuple[Light, Light]],
    edges: dict[str, Light],
    white: Light,
    lit: BoolArray,
) -> tuple[Array, Array, Array]:
    rows, columns = (index.astype(float) for index in np.indices(lit.shape))
    found, origin, affine = np.full((*lit.shape, 2), np.nan), np.full((*lit.shape, 2), np.nan), np.zeros((2, 3))
    for k, axis in enumerate(("x", "y")):
        half = lit & (np.abs(edges[axis] / np.maximum(white, 1e-6) - 0.5) < 0.2)
        if np.count_nonzero(half) < 10:
            raise MeasurementError(
                "found no edge through the middle of the picture, expected one. The middle of the projector's picture "
                "must fall on the mirror: `rigwarp samples check` shows how the bench stands."
            )
        longest = PERIODS_PX[-1]
        slope = [_slope(waves[axis, longest][1], lit, along) * longest for along in (1, 0)]
        start = float(np.median(middle_px(bench)[k] - slope[0] * columns[half] - slope[1] * rows[half]))
        affine[k] = [*slope, start]
        place: Array = slope[0] * columns + slope[1] * rows + start
        total, weight = np.zeros(lit.shape), np.full(lit.shape, 1e-9)
        for period in reversed(PERIODS_PX):
            contrast, turn = waves[axis, period]
            candidate = period * (turn + np.round(place / period - turn))
            if period > _FINE_PX:
                place = np.where(contrast > _KEPT, candidate, place)
                continue
            share = np.where(contrast > _KEPT, (contrast / period) ** 2, 0.0)
            if period == _FINE_PX:
                origin[..., k] = np.where(lit, candidate, np.nan)
            total, weight = total + share * candidate, weight + share
            place = np.where(weight > 1e-8, total / weight, place)
        found[..., k] = np.where(lit, place, np.nan)
    return found, origin, affine


def _slope(turn: Light, lit: BoolArray, along: int) -> float:
    """Median of how the phase (turns) changes from one pixel to the next along an array axis."""
    step = 8
    later = np.roll(turn, -step, axis=along)
    both = lit & np.roll(lit, -step, axis=along)
    difference = (later - turn + 0.5) % 1.0 - 0.5
    return float(np.median(difference[both])) / step
