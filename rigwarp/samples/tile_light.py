"""How much light of a leg belongs to each part of the projector's picture, wherever on the screen it lands."""

import numpy as np

from rigwarp.geometry import Array
from rigwarp.samples.leg import Leg, Light
from rigwarp.samples.registered import Nodes

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
