"""What a perfect measurement would find on a piece: closed forms of its parameters, for judging estimates by."""

from typing import Any

import numpy as np
from scipy.special import jv

from rigwarp.geometry import Array
from rigwarp.simulation.samples.sheet import beam_shares
from rigwarp.simulation.samples.truth import BenchTruth, Piece, Wave

_PUPIL_POINTS = 64
_DIRECTIONS = 720  # of the mean over a two-dimensional spread


def true_figures(truth: BenchTruth, name: str) -> dict[str, Any]:
    """Figures of one piece by itself: reflectance (3,), beam variance (2,) mm^2, share beyond angles, and so on."""
    piece = truth.pieces[name]
    shares = [beam_shares(piece, colour, np.array(truth.angle_rad)) for colour in range(3)]
    beams = {beam: float(np.mean([share[beam] for share in shares])) for beam in shares[0]}
    return {
        "reflectance": [float(sum(share.values())) for share in shares],
        "variance_mm2": blur_variance(truth, piece),
        "beams": beams,
        "ghost_mm": _beam_distance(truth, piece),
        "specks_mm2": [float(np.pi / 4.0 * d**2) for *_, d in piece.specks],
    }


def veil_beyond(truth: BenchTruth, piece: Piece, angle_rad: float, colour: int | None = None) -> float:
    """Share of the light beyond an angle, by the wide part alone, within the field; None: of green."""
    wave = truth.wavelengths_nm[1 if colour is None else colour]
    phase = 4.0 * np.pi * piece.roughness_nm * np.cos(truth.angle_rad) / wave
    share = piece.tail_share + (1.0 - piece.tail_share) * (1.0 - np.exp(-(phase**2)))
    core = np.hypot(piece.core_rad, np.sqrt(_wave_variance(truth, piece)) / truth.far_mm)
    return float(share * outside(angle_rad, piece.tail_rad) + (1.0 - share) * outside(angle_rad, core))


def outside(angle_rad: float, sigma_rad: Array) -> float:
    """Share of a two-dimensional normal spread (2,) that lies beyond an angle: the mean over its directions."""
    if not np.any(sigma_rad):
        return 0.0
    turn = (np.arange(_DIRECTIONS) + 0.5) * 2.0 * np.pi / _DIRECTIONS
    wide = np.maximum(sigma_rad, 1e-9)
    across = 1.0 / ((np.cos(turn) / wide[0]) ** 2 + (np.sin(turn) / wide[1]) ** 2)
    return float(np.mean(across / (wide[0] * wide[1]) * np.exp(-(angle_rad**2) / (2.0 * across))))


def blur_variance(truth: BenchTruth, piece: Piece) -> Array:
    """(2,) mm^2 on the screen, in and out of the plane of incidence: its own and what fine waves add."""
    return (piece.core_rad * truth.far_mm) ** 2 + _wave_variance(truth, piece)


def seen_variance(truth: BenchTruth, piece: Piece, points_mm: Array) -> Array:
    """(2,) as `blur_variance`, over the part that is seen alone: mirror points (..., 2) spread over it.

    By brute force, where light from all over the pupil lands: a few waves more or less make a tenth of the blur.
    """
    wide = truth.pupil_mm * truth.far_mm / (truth.near_mm + truth.far_mm)
    share = (np.arange(_PUPIL_POINTS) + 0.5) / _PUPIL_POINTS
    turn = np.arange(_PUPIL_POINTS) * np.pi * (3.0 - np.sqrt(5.0))  # a sunflower's seeds
    spiral = 0.5 * wide * np.sqrt(share)[:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    ahead, landed = ahead_mm(truth, piece), []
    for at in spiral / [np.cos(truth.angle_rad), 1.0] + [ahead, 0.0]:
        slopes = np.zeros(np.shape(points_mm))
        for wave in piece.waves:
            way = np.array([np.cos(wave.direction_rad), np.sin(wave.direction_rad)])
            phase = 2.0 * np.pi / wave.wavelength_mm * ((points_mm + at) @ way) + wave.phase_rad
            slopes += through_sheet(truth, piece, wave) * wave.slope_rad * np.cos(phase)[..., None] * way
        landed.append(2.0 * truth.far_mm * slopes * [1.0, np.cos(truth.angle_rad)])
    return np.asarray(np.var(landed, axis=0).reshape(-1, 2).mean(axis=0) + (piece.core_rad * truth.far_mm) ** 2)


def rim_share(truth: BenchTruth, piece: Piece, points_mm: Array) -> float:
    """Share of light that a piece paler towards its rim leaves, mean over mirror points (..., 2)."""
    radius = np.linalg.norm(points_mm, axis=-1) / (0.5 * min(truth.opening_mm))
    return float(np.mean(1.0 - piece.paler_rim * np.minimum(radius, 1.0) ** 2))


def ahead_mm(truth: BenchTruth, piece: Piece) -> float:
    """How far along the plane of incidence the main beam meets the rear face behind where it entered the front."""
    return float(piece.thickness_mm * np.tan(np.arcsin(np.sin(truth.angle_rad) / piece.index[1])))


def through_sheet(truth: BenchTruth, piece: Piece, wave: Wave) -> float:
    """How much more a wave turns the main beam of a bent clear sheet than that of bare metal, in both directions.

    The beam turns by 2 [k s_rear - (k - 1) s_front], k = sqrt(n^2 - sin^2) / cos, and meets the front on either side
    of the rear: of a short wave, where the slope is not the same.
    """
    k = np.sqrt(piece.index[1] ** 2 - np.sin(truth.angle_rad) ** 2) / np.cos(truth.angle_rad)
    turn = 2.0 * np.pi / wave.wavelength_mm * np.cos(wave.direction_rad) * ahead_mm(truth, piece)
    return float(1.0 + (k - 1.0) * (1.0 - np.cos(turn)))


def weights(truth: BenchTruth, piece: Piece, wave: Wave) -> tuple[Array, float]:
    """(2,) mm on the screen that its slope moves light by, and H of its projection into the round footprint."""
    direction = np.array([np.cos(wave.direction_rad), np.sin(wave.direction_rad)])
    slope = through_sheet(truth, piece, wave) * wave.slope_rad
    reach = 2.0 * truth.far_mm * slope * direction * [1.0, np.cos(truth.angle_rad)]
    pupil = truth.pupil_mm * truth.far_mm / (truth.near_mm + truth.far_mm)
    # the footprint is longer in the plane of incidence, by 1 / cosine
    wide = pupil * np.hypot(direction[0] / np.cos(truth.angle_rad), direction[1])
    turn = np.pi * wide / wave.wavelength_mm
    return reach, float(2.0 * jv(1, turn) / turn)


def _wave_variance(truth: BenchTruth, piece: Piece) -> Array:
    total = np.zeros(2)
    for wave in piece.waves:
        reach, kept = weights(truth, piece, wave)
        total += 0.5 * reach**2 * (1.0 - kept**2)
    return total


def _beam_distance(truth: BenchTruth, piece: Piece) -> float:
    """By Snell's law, step by step, of the two rays' offset along the front face and its projection."""
    inside = np.arcsin(np.sin(truth.angle_rad) / piece.index[1])
    return float(2.0 * piece.thickness_mm * np.tan(inside) * np.cos(truth.angle_rad))
