"""Samples of a mirror of flat panels, without photographs: the beam's width, lit zones, spots that two panels light.

The fold's image in the projector picture is in closed form: a plane through the lens and the fold's line meets the
picture in a straight line, through the pictures of the line's two ends. What is counted there is the picture plane
alone, no tracing.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from bench_rigs import overhead_camera, panels_rig
from scipy.ndimage import distance_transform_edt
from scipy.spatial import cKDTree
from scipy.special import ndtr

from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.height_spline import HeightSpline
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.rig import Rig, inside_table
from rigwarp.table_map import Samples, join_samples
from rigwarp.tracing import OpticalModel, build_model, trace_map

SIGMA_PX = 0.03
_BLUR_PX = 0.5  # of a picture in focus
_MIXED_MM = 1.5  # a camera pixel and what its optics spread
_FAINTEST = 0.06
_STEP_PX = 0.05
Line = tuple[Array, Array]
"""Two points (2,) in the projector picture."""


def roof(fold_deg: float, *, foot_mm: float = 0.0, top_mm: float = 0.0) -> list[list[list[float]]]:
    """Two panels; the fold, closed by an angle, runs from x = foot to x = top over their height."""
    rise = float(np.tan(np.radians(fold_deg / 2.0)))

    def corner(x: float, y: float, fold_mm: float) -> list[float]:
        return [x, y, rise * abs(x - fold_mm)]

    # both panels are planes only if their outer corners rise from the fold that runs through (foot, top)
    left = [corner(-120, -120, foot_mm), [foot_mm, -120, 0], [top_mm, 120, 0], corner(-120, 120, top_mm)]
    right = [[foot_mm, -120, 0], corner(120, -120, foot_mm), corner(120, 120, top_mm), [top_mm, 120, 0]]
    return [left, right]


def picture_of(model: OpticalModel, rig: Rig, points_mm: Array) -> Array:
    """(N, 2) projector pixels of (N, 3) points of the mirror: a pinhole's picture."""
    world = points_mm @ model.mirror.rotation.T + model.mirror.position_mm
    seen = (world - model.projector.placement.position_mm) @ model.projector.placement.rotation
    return rig.projector.focal_px * seen[:, :2] / seen[:, 2:] + np.array(rig.projector.principal_px)


def beside(line: Line, pixels_px: Array) -> Array:
    """(N,) distance of pixels from a line, positive to its right for a line that goes down the picture."""
    low, high = line
    along = (high - low) / np.linalg.norm(high - low)
    across = np.array([along[1], -along[0]]) * (1.0 if along[1] > 0 else -1.0)
    return (pixels_px - low) @ across


def twisted(model: OpticalModel, zone: int, mrad_per_mm: float, bend_per_mm: float = 0.0) -> OpticalModel:
    """One panel with a height c x y, and b x^2 / 2."""
    grid = np.linspace(-200.0, 200.0, 41)
    x, y = (g.ravel() for g in np.meshgrid(grid, grid, indexing="ij"))
    height = mrad_per_mm / 1000.0 * x * y + bend_per_mm * x**2 / 2.0
    spline = HeightSpline.over(((-200.0, 200.0), (-200.0, 200.0)), cells=(4, 4))
    basis = spline.design_matrix(x, y).toarray()
    return model.with_figure({zone: spline.with_coefficients(np.linalg.lstsq(basis, height, rcond=None)[0])})


@dataclass(frozen=True, kw_only=True)
class FoldedScan:
    """What is built, and how it is scanned.

    Attributes
    ----------
    model : as built.
    rig : of the design.
    shares : (N, 2) pixels to the share of light by way of each zone (zones, N).
    by_zone : whether the design's zones are lit one after the other.
    blur_px : of the stripes on the table: draws positions towards the brighter side.
    """

    model: OpticalModel
    rig: Rig
    shares: Callable[[Array], Array]
    by_zone: bool = True
    blur_px: float = _BLUR_PX

    def samples(self, *, count: int = 40_000, seed: int = 3) -> Samples:
        """All that decodes."""
        rng = np.random.default_rng(seed)
        zone = filled_zones(build_model(self.rig, meshes={}))
        masks = [zone == n for n in np.unique(zone)] if self.by_zone else [np.ones(zone.shape, bool)]
        return join_samples([self._lit(mask, count, rng) for mask in masks])

    def _lit(self, mask: BoolArray, count: int, rng: np.random.Generator) -> Samples:
        last = np.array(self.rig.projector.resolution) - 1.0
        inside = distance_transform_edt(mask) - distance_transform_edt(~mask)
        whole = bool(mask.all())
        parts, numbers = [], []
        for n, surface in enumerate(self.model.surfaces):
            true_px = rng.uniform([0, 0], last, (count, 2))
            u, v = np.rint(true_px).astype(int).T
            shown = np.ones(count) if whole else ndtr((inside[v, u] - np.sign(inside[v, u]) * 0.5) / _BLUR_PX)
            light = self.shares(true_px)[n] * shown
            table = self.model.trace(true_px, zone=surface.zone, extended=True).table_mm
            seen = (light > _FAINTEST) & np.isfinite(table).all(axis=-1)
            seen[seen] = inside_table(self.rig.table, table[seen])
            cut = np.zeros(count, bool) if whole else np.abs(inside[v, u]) < 3.0
            parts.append(self._decoded(n, true_px[seen], light[seen], table[seen], cut[seen], rng))
            numbers.append(np.full(np.count_nonzero(seen), n))
        return _unmixed(join_samples(parts), np.concatenate(numbers))

    def _decoded(
        self, n: int, true_px: Array, light: Array, table: Array, cut: BoolArray, rng: np.random.Generator
    ) -> Samples:
        sigma = SIGMA_PX / np.sqrt(light)
        drawn = true_px + self.blur_px**2 * np.clip(self._light_slope(true_px, n), -3.0, 3.0)
        return Samples(
            pixels_px=drawn + sigma[:, None] * rng.normal(size=true_px.shape),
            sigma_px=np.stack([sigma, sigma], axis=-1),
            table_mm=table,
            light=0.4 * light,
            camera_px=overhead_camera().project(np.column_stack([table, np.zeros(len(table))])),
            count=np.ones(len(table), np.int64),
            cut=cut,
        )

    def _light_slope(self, pixels_px: Array, n: int) -> Array:
        """(N, 2) derivatives of the logarithm of a zone's share of light."""
        there, here = (
            np.stack([np.log(np.maximum(self.shares(pixels_px + step)[n], 1e-3)) for step in steps], axis=-1)
            for steps in (_STEP_PX * np.eye(2), -_STEP_PX * np.eye(2))
        )
        return (there - here) / (2.0 * _STEP_PX)


def filled_zones(design: OpticalModel) -> Array:
    """(H, W) zone of each pixel of a design; the nearest one's where there is no light."""
    zone = trace_map(design).zone
    row, column = distance_transform_edt(zone == NO_LIGHT, return_distances=False, return_indices=True)
    return zone[row, column]


def sharing(lines: list[tuple[Line, int, int]], zones: int, width_px: float) -> Callable[[Array], Array]:
    """Shares of light of pixels, from the lines between two zones each (the first on the left)."""

    def shares(pixels_px: Array) -> Array:
        out = np.ones((zones, len(pixels_px)))
        for line, left, right in lines:
            by_right = ndtr(beside(line, pixels_px) / width_px)
            out[right] *= by_right
            out[left] *= 1.0 - by_right
        return out

    return shares


def _unmixed(samples: Samples, zone: Array) -> Samples:
    """Without the spots that get light by way of two zones at once: their patterns mix."""
    mixed = np.zeros(len(samples), bool)
    for n in np.unique(zone):
        own, others = np.flatnonzero(zone == n), np.flatnonzero(zone != n)
        if not len(others):
            continue
        tree = cKDTree(samples.table_mm[others])
        _, nearest = tree.query(samples.table_mm[own], k=4, distance_upper_bound=_MIXED_MM)
        light = np.append(samples.light[others], 0.0)[nearest].max(axis=1)
        mixed[own] = light > 0.1 * samples.light[own]
    return samples.only(~mixed)


def placed(model: OpticalModel) -> OpticalModel:
    """Mounted a little wrong."""
    return model.moved(
        np.array([0.8, 0.5, -1.0]),
        np.radians([0.3, 0.2, -0.3]),
        np.array([0.4, 0.2, 0.1]),
        np.radians([0.1, -0.2, 0.1]),
    )


def with_panels(rig: Rig, panels: list[list[list[float]]]) -> OpticalModel:
    """The design's rig with other panels, mounted a little wrong."""
    built = panels_rig(panels)
    return placed(build_model(replace(rig, mirror=built.mirror), meshes={}))
