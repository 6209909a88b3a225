"""A leg's pictures read at the places of the same projector pixels, so that two mirrors can be compared."""

from dataclasses import dataclass

import cv2
import numpy as np

from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray
from rigwarp.samples.bench import SampleBench
from rigwarp.samples.frames import middle_px
from rigwarp.samples.leg import Leg, Light

_PARTS = 5  # per side
TILES = 7
"""Per side, of `tile_light`; neighbours overlap by half."""
_STEPS = 60
_STEP_SHARE = 0.5  # of the way: whole steps swing for ever where waves crowd the picture twofold, these to fourfold
_ARRIVED_PX = 1e-5  # camera pixels
_SMOOTH_PX = 1.2  # camera pixels: noise of the positions is averaged, the projector's pixels are larger
_LEAST_NODES = 24


@dataclass(frozen=True, kw_only=True)
class Nodes:
    """The projector pixels that are compared: a rectangle inside the seat's picture, clear of the half-shadow.

    Attributes
    ----------
    u, v : (columns,), (rows,) pixels.
    pitch_mm : (2,) their distance on the mirror, in and out of the plane of incidence.
    """

    u: Array
    v: Array
    pitch_mm: Array

    @property
    def grid(self) -> Array:
        """(rows, columns, 2)."""
        return np.stack(np.meshgrid(self.u, self.v), axis=-1)

    def inside(self, leg: Leg) -> BoolArray:
        """(H, W) camera pixels that see the rectangle."""
        u, v = leg.position[..., 0], leg.position[..., 1]
        return np.asarray((u > self.u[0]) & (u < self.u[-1]) & (v > self.v[0]) & (v < self.v[-1]))


def nodes_of(bench: SampleBench, reference: Leg) -> Nodes:
    """The pixels whose light comes by way of the mirror's opening without meeting its edge.

    Raises
    ------
    MeasurementError
        The seat's picture is too small.
    """
    middle = middle_px(bench)
    margin = bench.shadow_mm / bench.pixel_mm / 2.0 + 3.0
    limits = []
    for k in (0, 1):
        across = np.abs(reference.position[..., 1 - k] - middle[1 - k]) < 12
        seen = reference.position[..., k][across & reference.lit]
        low, high = np.quantile(seen, [0.004, 0.996]) if len(seen) else (0.0, 0.0)
        limits.append(np.arange(np.ceil(low + margin), np.floor(high - margin) + 1.0))
    if min(len(limits[0]), len(limits[1])) < _LEAST_NODES:
        raise MeasurementError(
            f"found a picture of the seat of {len(limits[0])} x {len(limits[1])} projector pixels inside its "
            f"half-shadow, expected {_LEAST_NODES} or more. Use a larger opening, or put the seat further from the "
            "projector; the whole picture of the seat must be on the screen and in the photograph."
        )
    pitch = bench.pixel_mm * bench.to_mirror * np.array([1.0 / np.cos(bench.angle_rad), 1.0])
    return Nodes(u=limits[0], v=limits[1], pitch_mm=pitch)


def tiles(values: Array) -> list[Array]:
    """The parts of maps (..., rows, columns)."""
    rows = np.array_split(values, _PARTS, axis=-2)
    return [tile for row in rows for tile in np.array_split(row, _PARTS, axis=-1)]


def tile_light(leg: Leg, pictures: Light, nodes: Nodes) -> Array:
    """Light of n camera pictures (n, H, W) in windows over the nodes' rectangle, wherever on the screen it lands.

    Returns
    -------
    (n, TILES, TILES)
        Sums over camera pixels. Windows rise and fall as the square of a sine in projector pixels: the sum does not
        change with how waves crowd the light inside, and needs no derivative of where it lands.
    """
    steps = TILES + 1
    at = np.stack(
        [(leg.position[..., k] - side[0]) / (side[-1] - side[0]) for k, side in enumerate((nodes.u, nodes.v))]
    )
    inside = leg.lit & np.all((at > 0.0) & (at < 1.0), axis=0)
    place = at[:, inside] * steps
    first = place.astype(int)
    rise = np.sin(0.5 * np.pi * (place - first)) ** 2
    light = pictures[:, inside].astype(np.float64)
    total = np.zeros((len(pictures), (steps + 1) ** 2))
    for down, by_v in enumerate((1.0 - rise[1], rise[1])):
        for right, by_u in enumerate((1.0 - rise[0], rise[0])):
            which = (first[1] + down) * (steps + 1) + first[0] + right
            for one, picture in zip(total, light, strict=True):
                one += np.bincount(which, picture * by_u * by_v, minlength=len(one))
    return total.reshape(-1, steps + 1, steps + 1)[:, 1:-1, 1:-1]


@dataclass(frozen=True, kw_only=True)
class Registered:
    """(rows, columns, 2) camera places of the nodes in one leg, and the leg."""

    leg: Leg
    nodes: Nodes
    places: Array

    def read(self, picture: Light) -> Array:
        """(rows, columns) of a camera picture."""
        return np.asarray(_between_pixels(picture, self.places), np.float64)

    @property
    def density(self) -> Array:
        """(rows, columns) camera area per projector pixel: light there, times this, is what the mirror sent."""
        by_u = np.gradient(self.places, axis=1)
        by_v = np.gradient(self.places, axis=0)
        area = np.abs(by_u[..., 0] * by_v[..., 1] - by_u[..., 1] * by_v[..., 0])
        return np.asarray(cv2.GaussianBlur(area, (0, 0), 1.0, borderType=cv2.BORDER_REPLICATE))

    def crowding(self, by: "Registered") -> Array:
        """(rows, columns) square by which waves stretch the picture, of all directions together."""
        return np.asarray(np.sum((self.stretch(by) - np.eye(2)) ** 2, axis=(-2, -1)))

    def stretch(self, by: "Registered") -> Array:
        """(rows, columns, 2, 2) derivatives of places on the screen, by the mean ones of another leg's."""

        def turn(places: Array) -> Array:
            return np.stack([np.gradient(places, axis=1), np.gradient(places, axis=0)], axis=-1)

        inverse = np.linalg.inv(turn(by.places).mean(axis=(0, 1)))
        rows, columns = self.places.shape[:2]
        flat = (inverse @ turn(self.places)).reshape(rows, columns, 4)
        smooth = cv2.GaussianBlur(flat, (0, 0), 1.0, borderType=cv2.BORDER_REPLICATE)
        return np.asarray(smooth.reshape(rows, columns, 2, 2), np.float64)


def register(leg: Leg, nodes: Nodes) -> Registered:
    """Find where a leg shows each node, by half steps on the smoothed map of what the camera sees."""
    field = np.asarray(smoothed_off(leg, _SMOOTH_PX), np.float32)
    inverse = np.linalg.inv(leg.affine[:, :2])
    wanted = nodes.grid
    places = (wanted - leg.affine[:, 2]) @ inverse.T
    for _ in range(_STEPS):
        onto = (wanted - _between_pixels(field, places) - leg.affine[:, 2]) @ inverse.T
        places, step = places + _STEP_SHARE * (onto - places), float(np.abs(onto - places).max())
        if step < _ARRIVED_PX:
            break
    return Registered(leg=leg, nodes=nodes, places=places)


def smoothed_off(leg: Leg, wide_px: float) -> Array:
    """(H, W, 2) projector pixels by which positions are off the plain ones, smoothed over camera pixels."""
    rows, columns = np.indices(leg.lit.shape)
    plain = np.stack([columns, rows, np.ones(leg.lit.shape)], axis=-1) @ leg.affine.T
    off = np.where(leg.lit[..., None], leg.position - plain, 0.0)
    # stray values at the rim must not reach inside: normalised smoothing of what is lit
    weight = np.maximum(cv2.GaussianBlur(leg.lit.astype(np.float64), (0, 0), wide_px), 1e-3)[..., None]
    smooth = cv2.GaussianBlur(off, (0, 0), wide_px) / weight
    # and what it takes off the shortest waves, near a hundredth, is given back
    rest = np.where(leg.lit[..., None], off - smooth, 0.0)
    return np.asarray(smooth + cv2.GaussianBlur(rest, (0, 0), wide_px) / weight)


def _between_pixels(picture: Light, places: Array) -> Light:
    x, y = (np.asarray(places[..., k], np.float32) for k in (0, 1))
    return np.asarray(cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32)


def landing_mm(bench: SampleBench, sample: Registered, reference: Registered) -> Array:
    """(rows, columns, 2) mm on the screen by which the sample's light lands beside the reference's.

    A cubic through the reference's places turns camera pixels into millimetres; its own waves do not follow.
    """
    scale = float(np.ptp(reference.places))
    start = reference.places.reshape(-1, 2).mean(axis=0)

    def terms(places: Array) -> Array:
        x, y = ((places - start) / scale)[..., 0], ((places - start) / scale)[..., 1]
        return np.stack([x**i * y**j for i in range(4) for j in range(4 - i)], axis=-1)

    rows = terms(reference.places).reshape(-1, 10)
    fit, *_ = np.linalg.lstsq(rows, reference.nodes.grid.reshape(-1, 2), rcond=None)
    return np.asarray(bench.pixel_mm * (terms(sample.places) - terms(reference.places)) @ fit)
