"""Registering a view's design to what was seen: one camera for all its mirrors, each mirror, and a lens not calibrated.

Every wing sees with the same camera. Registered by itself, a wing puts an unknown lens or a turned camera down to its
own hanging; together they cannot, and the lean of the lines of sight depends on it. A wing that is bent moves what it
shows by millimetres, too: smooth displacements of each part stand beside the poses, or else these would take them over.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array
from rigwarp.geometry.robust import HUBER_CLOSE, normal_prior, robust_least_squares, sigma_per_axis
from rigwarp.rig import Lens, Projector
from rigwarp.tracing import OpticalModel
from rigwarp.view.design import lean_of
from rigwarp.view.lean import LeanDoubt, smooth_terms
from rigwarp.view.parts import ViewPart

_MOST_SAMPLES = 1000  # of each part
_WORTH = 20.0  # samples of each part: what a rigid move cannot explain is common to neighbours
_ITERATIONS = 8
_DONE = 1e-3  # a step below this share of every tolerance ends the iteration
_STEP = 1e-3  # share of a tolerance for the numerical derivatives
_SMALLEST_MISFIT_MM = 0.02
_FOCAL = 0.01  # 1-sigma of a nominal focal length, share
_CENTRE = 0.006  # 1-sigma of a lens's centre, share of the picture's width
_DISTORTION = (0.1, 0.05)  # 1-sigma of k1 and k2 of an ordinary lens
_SHAPE_RAD = 0.005
"""1-sigma of how far a home-made mirror turns lines of sight, in each of the smooth terms that stand for its shape."""
_POSE, _OPTICS = 6, 5
_LEAN_EVERY = 10  # of the thinned samples: the lean's errors are smooth
_LEAST_DOUBT = 0.01  # errors of the lean smaller than this share of the largest change nothing


@dataclass(frozen=True, kw_only=True)
class PartSamples:
    """(N, 2) of a part's own pixels and the places on the table that they see, and by which surface (N,)."""

    pixels_px: Array
    table_mm: Array
    zone: NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class ViewRegistration:
    """The design moved to where it was seen.

    Attributes
    ----------
    parts : the same parts with their models moved.
    moved_mm, moved_rad : of the camera, then of each mirror, (1 + parts, 3) each, table axes.
    rms_before_mm, rms_after_mm : per part, distance between samples and design as drawn, and moved.
    lean_doubt : what is not known of the lean at places on the table that are known.
    lean_sigma : per part, its 1-sigma per axis.
    strain : largest of all moves over its tolerance.
    """

    parts: tuple[ViewPart, ...]
    moved_mm: Array
    moved_rad: Array
    rms_before_mm: tuple[float, ...]
    rms_after_mm: tuple[float, ...]
    lean_doubt: LeanDoubt
    lean_sigma: tuple[float, ...]
    strain: float


def register_view(parts: Sequence[ViewPart], samples: Sequence[PartSamples]) -> ViewRegistration:
    """Most probable poses of camera and mirrors, within their tolerances; and of a lens that was not calibrated."""
    thin = [_thinned(one) for one in samples]
    scale = _tolerances(parts)
    shapes = _shapes(parts, thin)

    def misfit(scaled: Array) -> Array:
        moved = moved_parts(parts, scaled * scale)
        return np.concatenate(
            [one.table_mm - _trace(part.model, one)[0] for part, one in zip(moved, thin, strict=True)]
        )

    first: dict[str, Array] = {}

    def linearised(unknowns: Array) -> tuple[Array, Callable[[], Array]]:
        scaled, bends = np.split(unknowns, [len(scale)])
        residual = misfit(scaled)
        first.setdefault("residual", residual)

        def derivative() -> Array:
            aside = scaled + _STEP * np.eye(len(scale))
            poses = np.stack([(residual - misfit(one)) / _STEP for one in aside], axis=-1)
            return np.concatenate([poses, shapes], axis=-1)

        return residual - shapes @ bends, derivative

    size = len(scale) + shapes.shape[-1]

    solved = robust_least_squares(
        linearised,
        np.zeros(size),
        prior=normal_prior(np.eye(size)),
        sigma=lambda residual: max(sigma_per_axis(residual), _SMALLEST_MISFIT_MM),
        limit=HUBER_CLOSE,
        passes=_ITERATIONS,
        settled=lambda step: bool(np.max(np.abs(step)) < _DONE),
        worth=_WORTH * len(parts),
        tries=6,
    )
    ends = np.cumsum([len(one.zone) for one in thin])[:-1]
    scaled = solved.unknowns[: len(scale)]
    before, after = (np.split(r, ends) for r in (first["residual"], misfit(scaled)))
    values = scaled * scale
    poses = np.concatenate([values[:_POSE], values[_POSE + _OPTICS :]]).reshape(-1, 2, 3)
    mounted = solved.covariance[: len(scale), : len(scale)]
    lean_doubt, lean_sigma = _lean_doubt(parts, thin, scaled, scale, mounted)
    return ViewRegistration(
        parts=moved_parts(parts, values),
        moved_mm=poses[:, 0],
        moved_rad=poses[:, 1],
        rms_before_mm=tuple(map(_rms, before)),
        rms_after_mm=tuple(map(_rms, after)),
        lean_doubt=lean_doubt,
        lean_sigma=lean_sigma,
        strain=float(np.abs(scaled).max()),
    )


def moved_parts(parts: Sequence[ViewPart], shifts: Array) -> tuple[ViewPart, ...]:
    """Parts with the camera (shift, turn; focal share, centre px, k1, k2) and each mirror (mm, rad) moved."""
    pose, optics = shifts[:_POSE], shifts[_POSE : _POSE + _OPTICS]
    mirrors = shifts[_POSE + _OPTICS :].reshape(len(parts), 2, 3)
    moved = []
    for part, (shift, turn) in zip(parts, mirrors, strict=True):
        camera = part.camera
        camera = replace(camera, placement=camera.placement.moved(pose[:3], pose[3:]), lens=_lens(camera, optics))
        model = replace(part.model, projector=part.source(camera), mirror=part.model.mirror.moved(shift, turn))
        moved.append(replace(part, camera=camera, model=model))
    return tuple(moved)


def _lens(camera: Projector, optics: Array) -> Lens | None:
    """The lens: as calibrated, or an ordinary one with the given focal length, centre and distortion."""
    if camera.lens is not None and not optics.any():
        return camera.lens
    focal_px, (u, v) = camera.focal_px * (1.0 + optics[0]), camera.principal_px + optics[1:3]
    matrix = np.array([[focal_px, 0.0, u], [0.0, focal_px, v], [0.0, 0.0, 1.0]])
    return Lens(matrix=matrix, distortion=np.array([optics[3], optics[4], 0.0, 0.0, 0.0]))


def _tolerances(parts: Sequence[ViewPart]) -> Array:
    """1-sigma of everything that `moved_parts` moves; that of a calibrated lens is next to nothing."""
    camera = parts[0].camera
    centre_px = _CENTRE * camera.resolution[0]
    optics = np.array([_FOCAL, centre_px, centre_px, *_DISTORTION])
    if camera.lens is not None:
        optics = np.zeros(_OPTICS)
    mirrors = [part.tolerances[_POSE:] for part in parts]
    return np.concatenate([parts[0].tolerances[:_POSE], optics, *mirrors])


def _shapes(parts: Sequence[ViewPart], samples: Sequence[PartSamples]) -> Array:
    """(N, 2, c) displacements on the table for one sigma of each smooth term of each part's shape."""
    blocks = []
    for part, one in zip(parts, samples, strict=True):
        middle, half = one.pixels_px.mean(axis=0), np.maximum(np.ptp(one.pixels_px, axis=0) / 2.0, 1.0)
        way_mm = max(float(part.model.mirror.position_mm[2]) - part.model.table_height_mm, 1.0)
        terms = _SHAPE_RAD * way_mm * smooth_terms((one.pixels_px - middle) / half)
        blocks.append(np.stack([np.kron(terms, [1.0, 0.0]), np.kron(terms, [0.0, 1.0])], axis=1))
    each = blocks[0].shape[-1]
    joined = np.zeros((sum(map(len, blocks)), 2, each * len(blocks)))
    start = 0
    for number, block in enumerate(blocks):
        joined[start : start + len(block), :, number * each : (number + 1) * each] = block
        start += len(block)
    return joined


def _thinned(samples: PartSamples) -> PartSamples:
    return _every(samples, max(1, len(samples.zone) // _MOST_SAMPLES))


def _trace(model: OpticalModel, samples: PartSamples) -> tuple[Array, Array]:
    """(N, 2) landing by each sample's own surface, and (N, 2) lean there of the line that ends where it was seen."""
    landed, lean = np.full(samples.table_mm.shape, np.nan), np.full(samples.table_mm.shape, np.nan)
    for number in np.unique(samples.zone):
        here = samples.zone == number
        traced = model.trace(samples.pixels_px[here], zone=int(number), extended=True)
        landed[here], lean[here] = traced.table_mm, lean_of(model, samples.table_mm[here], traced.mirror_mm)
    return landed, lean


def _lean_doubt(
    parts: Sequence[ViewPart],
    samples: Sequence[PartSamples],
    scaled: Array,
    scale: Array,
    covariance: Array,
) -> tuple[LeanDoubt, tuple[float, ...]]:
    """By the posterior of mounting and lens, and 1-sigma of each part; a mirror's shape moves the places only.

    Parameters
    ----------
    samples : of each part, thinned.
    scaled, scale : what `moved_parts` takes is their product.
    covariance : of `scaled`.
    """
    few = [_every(one, _LEAN_EVERY) for one in samples]
    now = [_trace(p.model, s)[1] for p, s in zip(moved_parts(parts, scaled * scale), few, strict=True)]
    columns = []
    for one in np.eye(len(scale)):
        there = moved_parts(parts, (scaled + _STEP * one) * scale)
        lean = [_trace(part.model, sample)[1] for part, sample in zip(there, few, strict=True)]
        columns.append(np.concatenate(lean) - np.concatenate(now))
    size, axes = np.linalg.eigh(covariance)
    errors = np.stack(columns, axis=-1) / _STEP @ (axes * np.sqrt(np.maximum(size, 0.0)))
    good = np.isfinite(errors).all(axis=(1, 2))
    _, size, turn = np.linalg.svd(errors[good].reshape(-1, len(scale)), full_matrices=False)
    errors = errors @ turn[size >= _LEAST_DOUBT * size[0]].T
    terms, sigmas, middles, halves = [], [], [], []
    ends = np.cumsum([len(sample.zone) for sample in few])[:-1]
    for part, sample, error in zip(parts, few, np.split(errors, ends), strict=True):
        known = np.isfinite(error).all(axis=(1, 2))
        pixels_px = part.own_pixels(sample.pixels_px)
        low, high = pixels_px.min(axis=0), pixels_px.max(axis=0)
        middles.append((low + high) / 2.0)
        halves.append(np.maximum((high - low) / 2.0, 1.0))
        smooth = smooth_terms((pixels_px - middles[-1]) / halves[-1])[known]
        flat = np.linalg.lstsq(smooth, error[known].reshape(len(smooth), -1), rcond=None)[0]
        terms.append(flat.reshape(-1, *error.shape[1:]))
        sigmas.append(float(np.sqrt(np.mean(np.sum(error[known] ** 2, axis=-1)))) if known.any() else np.nan)
    doubt = LeanDoubt(
        first_zones=np.array([part.first_zone for part in parts], np.int64),
        middle_px=np.stack(middles),
        half_px=np.stack(halves),
        terms=np.stack(terms),
        found=np.zeros(errors.shape[-1]),
    )
    return doubt, tuple(sigmas)


def _every(samples: PartSamples, step: int) -> PartSamples:
    every = slice(None, None, step)
    return PartSamples(pixels_px=samples.pixels_px[every], table_mm=samples.table_mm[every], zone=samples.zone[every])


def _rms(residual_mm: Array) -> float:
    return float(np.sqrt(np.nanmean(np.sum(residual_mm**2, axis=-1))))
