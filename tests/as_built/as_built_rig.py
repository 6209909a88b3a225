"""A small optical model and synthetic samples of it, made by exact tracing of a known figure plus noise in pixels."""

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import spsolve

from rigwarp.as_built.describe.findings import findings_of
from rigwarp.camera import CameraModel
from rigwarp.geometry import Placement, look_at, rotation_from_degrees
from rigwarp.geometry.height_spline import HeightSpline
from rigwarp.rig import (
    CameraSpec,
    ConicShape,
    Content,
    Facet,
    FacetsShape,
    Mirror,
    Projector,
    Rig,
    Table,
    Tolerance,
)
from rigwarp.sheets.pdf import STANDARD_TARGET
from rigwarp.table_map import Samples
from rigwarp.table_map.ripple import MapRipple
from rigwarp.tracing import build_model

TOLERANCES = np.repeat([3.0, np.deg2rad(1.0), 1.0, np.deg2rad(0.5)], 3)
RADIUS_MM = 45.0


def make_model(*, conic_constant=-1.0):
    """A folded path: projector from in front, convex mirror 480 mm above the table."""
    shape = ConicShape(radius_mm=250.0, conic_constant=conic_constant, coefficients_mm=(), aperture_mm=(0.0, RADIUS_MM))
    vertex = np.array([0.0, 60.0, 480.0])
    return model_of(shape, np.array([0.0, -32.0, 403.0]), vertex, rotation_from_degrees(np.array([-28.6, 0.0, 0.0])))


def concave_model():
    """A concave sphere of R = 100 mm, 400 mm above the table, light folded by 50 degrees, projector 120 mm away."""
    shape = ConicShape(radius_mm=100.0, conic_constant=0.0, coefficients_mm=(), aperture_mm=(0.0, 40.0))
    tilt = np.deg2rad(25.0)
    axis = np.array([0.0, -np.sin(tilt), -np.cos(tilt)])  # towards the light: half way between lens and table
    out = np.array([0.0, 0.0, -1.0])
    vertex = np.array([0.0, 0.0, 400.0])
    rotation = np.stack([np.array([1.0, 0.0, 0.0]), np.cross(axis, [1.0, 0.0, 0.0]), axis], axis=-1)
    return model_of(shape, vertex - 120.0 * (out - 2.0 * (out @ axis) * axis), vertex, rotation)


def folded_model():
    """Two flat panels that meet in a fold along y, like a roof over a projector that looks up."""
    left = np.array([[-62.0, -40.0, 15.0], [0.0, -40.0, 0.0], [0.0, 46.0, 0.0], [-62.0, 46.0, 15.0]])
    right = np.array([[0.0, -40.0, 0.0], [62.0, -40.0, 15.0], [62.0, 46.0, 15.0], [0.0, 46.0, 0.0]])
    facets = tuple(Facet(corners_mm=c, bend_radius_mm=None, bend_axis=None) for c in (left, right))
    lens, vertex = np.array([0.0, 45.0, 460.0]), np.array([0.0, 0.0, 600.0])
    rotation = rotation_from_degrees(np.array([180.0, 0.0, 0.0]))
    return model_of(
        FacetsShape(facets=facets), lens, vertex, rotation, aim=lens + np.array([0.0, 0.0, 1.0]), shift=(0.0, 0.75)
    )


def model_of(shape, lens, vertex, rotation, *, aim=None, shift=(0.0, 0.0)):
    """The optical model of a projector at `lens` that looks at a mirror at `vertex`."""
    projector = Projector(
        resolution=(1280, 720),
        throw_ratio=1.2,
        lens_shift=shift,
        placement=Placement(position_mm=lens, rotation=look_at(lens, vertex if aim is None else aim)),
        position_tolerance_mm=3.0,
        rotation_tolerance_rad=np.deg2rad(1.0),
        transfer=2.2,
    )
    mirror = Mirror(
        shape=shape,
        placement=Placement(position_mm=vertex, rotation=rotation),
        position_tolerance_mm=1.0,
        rotation_tolerance_rad=np.deg2rad(0.5),
    )
    return build_model(_rig(projector, mirror), meshes={})


def _rig(projector, mirror):
    """The rest of a rig: a round table of 500 mm and what nothing here reads."""
    return Rig(
        name="as built",
        projector=projector,
        mirror=mirror,
        obstacles=(),
        table=Table(shape="circle", size_mm=(500.0, 500.0), height_mm=0.0),
        content=Content(
            shape="circle", size_mm=(480.0, 480.0), centre_mm=np.zeros(2), rotation_rad=0.0, pixels=(64, 64)
        ),
        camera=CameraSpec(resolution=(1920, 1080), device=0),
        target=STANDARD_TARGET,
        tolerance=Tolerance(content_p95_mm=0.5, figure_rms_um=50.0),
    )


def spline_of(height_mm):
    """A quintic spline over the mirror that follows height_mm(x, y), to better than 1e-5 mm for smooth functions."""
    blank = HeightSpline.over(((-50.0, 50.0), (-50.0, 50.0)), cells=(40, 40), degree=5)
    line = np.linspace(-50.0, 50.0, 180)
    x, y = (a.ravel() for a in np.meshgrid(line, line))
    basis = blank.design_matrix(x, y)
    normal = (basis.T @ basis + 1e-10 * sparse.identity(basis.shape[1])).tocsc()
    return blank.with_coefficients(spsolve(normal, basis.T @ height_mm(x, y)))


def make_camera(*, covariance=True):
    """A camera 0.9 m away whose stated uncertainty moves the table by some 0.02 mm."""
    position = np.array([-420.0, -90.0, 830.0])
    R = look_at(position, np.array([0.0, 5.0, 0.0])).T
    sigma = 0.3 * np.array([0.6, 0.6, 0.8, 0.8, 2e-3, 1e-2, 1e-4, 1e-4, 1e-2, 1e-4, 1e-4, 1e-4, 0.05, 0.05, 0.1])
    return CameraModel(
        resolution=(1920, 1080),
        matrix=np.array([[1882.0, 0.0, 968.0], [0.0, 1884.5, 531.0], [0.0, 0.0, 1.0]]),
        distortion=np.zeros(5),
        R_camera_from_table=R,
        t_camera_from_table_mm=-R @ position,
        covariance=np.diag(sigma**2) if covariance else None,
    )


class Scanned(NamedTuple):
    """What the table map hands over: samples, sigma (N,) and zone (N,)."""

    cells: Samples
    cell_sigma_mm: np.ndarray
    cell_zone: np.ndarray
    cell_ripple_mm: np.ndarray | None = None
    ripples: tuple[MapRipple, ...] = ()


def scan(built, camera, *, step_px=6, sigma_px=0.02, seed=0, reach_mm=250.0, lit_by=None):
    """Samples of a built model on a pixel grid.

    `lit_by` is the model that says which pixel goes by way of which zone: the design of a mirror whose panels were
    moved, because a panel behind its design's own triangles would lie in their shade.
    """
    rng = np.random.default_rng(seed)
    u, v = np.meshgrid(np.arange(2.5, 1280, step_px), np.arange(2.5, 720, step_px))
    pixels = np.stack([u, v], axis=-1).reshape(-1, 2)
    trace = (lit_by or built).trace(pixels)
    with np.errstate(invalid="ignore"):
        lit = np.linalg.norm(trace.table_mm, axis=-1) < reach_mm
    pixels, zone = pixels[lit], trace.zone[lit].astype(int)
    table, right, down = (_landing(built, pixels + step, zone) for step in ([0.0, 0.0], [1.0, 0.0], [0.0, 1.0]))
    steps = [right - table, down - table]
    noise = sum(sigma_px * rng.normal(size=(len(table), 1)) * s for s in steps)
    sigma = sigma_px * np.sqrt(sum(np.sum(s**2, axis=-1) for s in steps) / 2.0)
    height = np.full((len(table), 1), built.table_height_mm)
    samples = Samples(
        pixels_px=pixels,
        sigma_px=np.full(pixels.shape, sigma_px),
        table_mm=table + noise,
        light=np.ones(len(table)),
        camera_px=camera.project(np.concatenate([table, height], axis=-1)),
        count=np.ones(len(table), np.int64),
    )
    return Scanned(cells=samples, cell_sigma_mm=sigma, cell_zone=zone)


def _landing(built, pixels, zone):
    """(N, 2) where pixels land by way of their zones, whose surfaces go on past their rims."""
    table = np.full(pixels.shape, np.nan)
    for number in np.unique(zone):
        here = zone == number
        table[here] = built.trace(pixels[here], extended=True, zone=int(number)).table_mm
    return table


def moved(model, shifts):
    """The model with (12,) shifts and turns."""
    return model.moved(shifts[0:3], shifts[3:6], shifts[6:9], shifts[9:12])


def with_throw(model, share):
    """The model with another throw ratio."""
    return replace(model, projector=replace(model.projector, throw_ratio=model.projector.throw_ratio * (1 + share)))


def findings_told(**told):
    """The findings of a mirror of one piece of which nothing is known but what is told."""
    nothing = {"zernike": (), "power_determined": False, "folds": (), "panels": (), "defects": (), "ripple": None}
    return findings_of(**{**nothing, "rms_um": 60.0, "radius_mm": RADIUS_MM, "way_mm": 400.0, **told})
