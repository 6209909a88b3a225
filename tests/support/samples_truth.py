"""Where the rays of a bench's nodes meet the mirror, and the slopes of a virtual piece there."""

import numpy as np

from rigwarp.geometry import Array
from rigwarp.samples.registered import Nodes
from rigwarp.simulation.samples import BenchTruth
from rigwarp.simulation.samples.true_figures import ahead_mm, through_sheet, weights
from rigwarp.simulation.samples.truth import Piece


def mirror_points(truth: BenchTruth, nodes: Nodes) -> Array:
    """(rows, columns, 2) mm where the nodes' rays meet the mirror, by similar triangles about the inclined mirror."""
    x, y = np.moveaxis((nodes.grid - (np.array(truth.resolution) - 1.0) / 2.0) * truth.pixel_mm, -1, 0)
    length, near = truth.near_mm + truth.far_mm, truth.near_mm
    sine, cosine = np.sin(truth.angle_rad), np.cos(truth.angle_rad)
    # the ray is (x, y, length) t; the mirror passes (0, 0, near) and is inclined: z = near + across * sine / cosine
    t = near / (length - x * sine / cosine)
    return np.stack([x * t / cosine, y * t], axis=-1)


def seen_slopes(
    truth: BenchTruth, piece: Piece, points_mm: Array, *, shortest_mm: float = 0.0, longest_mm: float = np.inf
) -> Array:
    """(..., 2) optical slopes at mirror points (..., 2), as the beam's width leaves them."""
    found, there = np.zeros(np.shape(points_mm)), np.add(points_mm, [ahead_mm(truth, piece), 0.0])
    for wave in piece.waves:
        if shortest_mm <= wave.wavelength_mm <= longest_mm:
            direction = np.array([np.cos(wave.direction_rad), np.sin(wave.direction_rad)])
            turn = 2.0 * np.pi / wave.wavelength_mm * (there @ direction) + wave.phase_rad
            slope = through_sheet(truth, piece, wave) * wave.slope_rad
            found += weights(truth, piece, wave)[1] * slope * np.cos(turn)[..., None] * direction
    return found


def true_slopes(truth: BenchTruth, name: str, reference: str, points: Array) -> Array:
    """(..., 2) slopes of a piece less those of the reference as the beam sees them, without tilt, bow and twist."""
    slopes = seen_slopes(truth, truth.pieces[name], points) - seen_slopes(truth, truth.pieces[reference], points)
    rows = np.column_stack([np.ones(points[..., 0].size), points.reshape(-1, 2)])
    fit, *_ = np.linalg.lstsq(rows, slopes.reshape(-1, 2), rcond=None)
    return slopes - (rows @ fit).reshape(slopes.shape)
