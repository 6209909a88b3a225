"""What the waves of a virtual piece do over the part that is seen, by brute force: no transfer function."""

import numpy as np

from rigwarp.geometry import Array
from rigwarp.samples.registered import Nodes
from rigwarp.simulation.samples import BenchTruth
from rigwarp.simulation.samples.true_figures import seen_slopes
from rigwarp.simulation.samples.truth import Piece

_PUPIL_POINTS = 64


def mirror_points(truth: BenchTruth, nodes: Nodes) -> Array:
    """(rows, columns, 2) mm where the nodes' rays meet the mirror, by similar triangles about the inclined mirror."""
    x, y = np.moveaxis((nodes.grid - (np.array(truth.resolution) - 1.0) / 2.0) * truth.pixel_mm, -1, 0)
    length, near = truth["near_mm"] + truth["far_mm"], truth["near_mm"]
    sine, cosine = np.sin(truth.angle_rad), np.cos(truth.angle_rad)
    # the ray is (x, y, length) t; the mirror passes (0, 0, near) and is inclined: z = near + across * sine / cosine
    t = near / (length - x * sine / cosine)
    return np.stack([x * t / cosine, y * t], axis=-1)


def local_variance_mm2(truth: BenchTruth, piece: Piece, points: Array) -> Array:
    """(2,) variance of where light from all over the pupil lands, mean over points (..., 2), and the core's own."""
    wide = truth["pupil_mm"] * truth["far_mm"] / (truth["near_mm"] + truth["far_mm"])
    radius = 0.5 * wide * np.sqrt((np.arange(_PUPIL_POINTS) + 0.5) / _PUPIL_POINTS)
    turn = np.arange(_PUPIL_POINTS) * np.pi * (3.0 - np.sqrt(5.0))
    off = np.stack([radius * np.cos(turn) / np.cos(truth.angle_rad), radius * np.sin(turn)], axis=-1)
    waves = [wave for band in piece.waves for wave in band]
    landed = []
    for at in off:
        slopes = np.zeros(points.shape)
        for wave in waves:
            way = np.array([np.cos(wave.direction_rad), np.sin(wave.direction_rad)])
            phase = 2.0 * np.pi / wave.wavelength_mm * ((points + at) @ way) + wave.phase_rad
            slopes += wave.slope_rad * np.cos(phase)[..., None] * way
        landed.append(2.0 * truth["far_mm"] * slopes * [1.0, np.cos(truth.angle_rad)])
    return np.var(landed, axis=0).reshape(-1, 2).mean(axis=0) + (piece.core_rad * truth["far_mm"]) ** 2


def true_slopes(truth: BenchTruth, name: str, reference: str, points: Array) -> Array:
    """(..., 2) slopes of a piece less those of the reference as the beam sees them, without tilt, bow and twist."""
    slopes = seen_slopes(truth, truth.pieces[name], points) - seen_slopes(truth, truth.pieces[reference], points)
    rows = np.column_stack([np.ones(points[..., 0].size), points.reshape(-1, 2)])
    fit, *_ = np.linalg.lstsq(rows, slopes.reshape(-1, 2), rcond=None)
    return slopes - (rows @ fit).reshape(slopes.shape)
