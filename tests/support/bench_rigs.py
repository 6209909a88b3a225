"""Small rigs for tests of the numeric rooms, in closed form."""

from collections.abc import Sequence

import numpy as np
from rig_text import circle, rig_text

from rigwarp.camera import CameraModel
from rigwarp.geometry.height_spline import HeightSpline
from rigwarp.rig import Rig, inside_table, parse_rig
from rigwarp.table_map import Samples
from rigwarp.tracing import OpticalModel, build_model

SIGMA_PX = 0.03
"""Decode noise of `scan_of`."""

_CONIC = """kind = "conic"
radius_mm = 190.0
conic_constant = -1.0
aperture_mm = [0.0, 45.0]"""
_FLAT = [[-120, -120, 0], [120, -120, 0], [120, 120, 0], [-120, 120, 0]]


def _text(mirror: str, *, small: bool = False) -> str:
    """A rig at the usual place; `small`: a small picture on a large table."""
    width, table_mm, content_mm, pixels = (400, 1400, 300, 340) if small else (640, 500, 480, 540)
    return rig_text(
        f"position_mm = [0.0, 60.0, 480.0]\nrotation_deg = [-28.6, 0.0, 0.0]\n{mirror}",
        resolution=(width, 226 if small else 360),
        projector="position_mm = [0.0, -32.0, 403.0]\naim_mm = [0.0, 60.0, 480.0]",
        table=circle(table_mm),
        content=f"{circle(content_mm)}\npixels = [{pixels}, {pixels}]",
        more='[camera]\nresolution = [960, 540]\ndevice = "virtual"',
    )


CONVEX_TEXT = _text(_CONIC)
"""The rig file of `convex_rig`."""


def convex_rig() -> Rig:
    """A convex paraboloid that spreads a 640 x 360 picture over a 500 mm table."""
    return parse_rig(CONVEX_TEXT)


def flat_rig() -> Rig:
    """A flat mirror in the same place: the map is a homography."""
    return parse_rig(_text(_facets([_FLAT])))


def panels_rig(panels: list[list[list[float]]]) -> Rig:
    """Flat panels in the same place, their corners (x, y, z) in the mirror's frame; a small picture, a large table."""
    return parse_rig(_text(_facets(panels), small=True))


def _facets(panels: Sequence[object]) -> str:
    return "\n".join(['kind = "facets"', *(f"[[mirror.facet]]\ncorners_mm = {corners}" for corners in panels)])


def overhead_camera(covariance: np.ndarray | None = None) -> CameraModel:
    """A perfect camera 1000 mm above the middle of the table, its picture's right along +x."""
    return CameraModel(
        resolution=(960, 540),
        matrix=np.array([[950.0, 0.0, 479.5], [0.0, 950.0, 269.5], [0.0, 0.0, 1.0]]),
        distortion=np.zeros(5),
        R_camera_from_table=np.diag([1.0, -1.0, -1.0]),
        t_camera_from_table_mm=np.array([0.0, 0.0, 1000.0]),
        covariance=covariance,
    )


def built_convex(rig: Rig) -> OpticalModel:
    """The same rig mounted a little wrong, its mirror with a bump of 60 um and a dent of 12 um."""
    model = build_model(rig, meshes={}).moved(
        np.array([1.0, -2.0, 1.5]),
        np.radians([0.4, -0.3, 0.6]),
        np.array([0.3, 0.4, -0.2]),
        np.radians([0.3, -0.4, 0.1]),
    )
    grid = np.linspace(-46.0, 46.0, 93)
    x, y = (g.ravel() for g in np.meshgrid(grid, grid, indexing="ij"))
    height = 0.06 * (x**2 - y**2) / 45**2 - 0.012 * np.exp(-((x - 8) ** 2 + (y + 4) ** 2) / (2 * 5.0**2))
    spline = HeightSpline.over(((-46.0, 46.0), (-46.0, 46.0)), cells=(30, 30))
    basis = spline.design_matrix(x, y)
    normal = (basis.T @ basis).toarray() + 1e-9 * np.eye(basis.shape[1])
    return model.with_figure({0: spline.with_coefficients(np.linalg.solve(normal, basis.T @ height))})


def scan_of(model: OpticalModel, rig: Rig, *, count: int = 150_000, seed: int = 5) -> Samples:
    """Samples spread evenly over the projector picture, with decode noise."""
    rng = np.random.default_rng(seed)
    true_px = rng.uniform([0, 0], np.array(rig.projector.resolution) - 1.0, (count, 2))
    table = model.trace(true_px).table_mm
    seen = np.isfinite(table).all(axis=-1)
    seen[seen] = inside_table(rig.table, table[seen])
    table = table[seen]
    pixels = true_px[seen] + SIGMA_PX * rng.normal(size=table.shape)
    return Samples(
        pixels_px=pixels,
        sigma_px=np.full(table.shape, SIGMA_PX),
        table_mm=table,
        light=np.full(len(table), 0.5),
        camera_px=overhead_camera().project(np.column_stack([table, np.zeros(len(table))])),
        count=np.ones(len(table), np.int64),
    )
