"""How much light of a leg belongs to each part of the projector's picture, wherever on the screen it lands."""

import numpy as np

from rigwarp.geometry import Array
from rigwarp.samples.leg import Leg, Light
from rigwarp.samples.registered import Nodes

_SPLINE = 4  # projector pixels along each side that a camera pixel's light is shared among, by a cubic B-spline
TILES = 7
"""Per side; neighbours overlap by half."""


def tile_light(leg: Leg, pictures: Light, nodes: Nodes) -> Array:
    """Light of n camera pictures (n, H, W) in windows over the nodes' rectangle.

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


def light_map(leg: Leg, picture: Light, nodes: Nodes) -> Array:
    """(rows, columns) light of a camera picture by the projector pixel it comes from, smoothed over a pixel or so.

    Each camera pixel's light is put where its own position is, which is the mean over all light that falls there: so
    light that waves crowd is counted as often as it was sent, and no derivative of where it lands is needed.
    """
    size = np.array([len(nodes.u), len(nodes.v)])
    at = np.stack([leg.position[..., 0] - nodes.u[0], leg.position[..., 1] - nodes.v[0]])
    inside = leg.lit & np.all((at > -2.0) & (at < (size + 1.0)[:, None, None]), axis=0)
    first = np.floor(at[:, inside]).astype(int)
    shares = [_cubic_shares(axis) for axis in at[:, inside] - first]
    wide = size + 2 * _SPLINE
    start = (first[1] + _SPLINE - 1) * wide[0] + first[0] + _SPLINE - 1
    light, total = picture[inside].astype(np.float64), np.zeros(wide[0] * wide[1])
    for down, by_v in enumerate(shares[1]):
        for right, by_u in enumerate(shares[0]):
            total += np.bincount(start + down * wide[0] + right, light * by_v * by_u, minlength=len(total))
    return total.reshape(wide[1], wide[0])[_SPLINE:-_SPLINE, _SPLINE:-_SPLINE]


def _cubic_shares(t: Array) -> list[Array]:
    """(4, n) of the uniform cubic B-spline at places t (n,) between the second and the third of four points."""
    return [(1 - t) ** 3 / 6, (3 * t**3 - 6 * t**2 + 4) / 6, (-3 * t**3 + 3 * t**2 + 3 * t + 1) / 6, t**3 / 6]
