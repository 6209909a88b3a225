"""Where the rays of a bench's nodes meet the mirror, and the slopes of a virtual piece there."""

import numpy as np

from rigwarp.geometry import Array
from rigwarp.samples.registered import Nodes
from rigwarp.simulation.samples import BenchTruth
from rigwarp.simulation.samples.true_figures import seen_slopes


def mirror_points(truth: BenchTruth, nodes: Nodes) -> Array:
    """(rows, columns, 2) mm where the nodes' rays meet the mirror, by similar triangles about the inclined mirror."""
    x, y = np.moveaxis((nodes.grid - (np.array(truth.resolution) - 1.0) / 2.0) * truth.pixel_mm, -1, 0)
    length, near = truth["near_mm"] + truth["far_mm"], truth["near_mm"]
    sine, cosine = np.sin(truth.angle_rad), np.cos(truth.angle_rad)
    # the ray is (x, y, length) t; the mirror passes (0, 0, near) and is inclined: z = near + across * sine / cosine
    t = near / (length - x * sine / cosine)
    return np.stack([x * t / cosine, y * t], axis=-1)


def true_slopes(truth: BenchTruth, name: str, reference: str, points: Array) -> Array:
    """(..., 2) slopes of a piece less those of the reference as the beam sees them, without tilt, bow and twist."""
    slopes = seen_slopes(truth, truth.pieces[name], points) - seen_slopes(truth, truth.pieces[reference], points)
    rows = np.column_stack([np.ones(points[..., 0].size), points.reshape(-1, 2)])
    fit, *_ = np.linalg.lstsq(rows, slopes.reshape(-1, 2), rcond=None)
    return slopes - (rows @ fit).reshape(slopes.shape)
