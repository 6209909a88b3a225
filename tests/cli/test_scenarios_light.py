"""The demo scenarios: the designed light reaches all of the content, and what was built strays a plausible way from it.

Checked on projectors and cameras of the same optics with a quarter of the pixels along each side: positions are the
same, the work is a sixteenth.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from rigwarp.files import open_rig
from rigwarp.geometry import PixelMap, TriangleMesh
from rigwarp.rig import Content, MeshShape, Rig, inside_content, outline_mm
from rigwarp.scenarios import create_rig, scenario_names
from rigwarp.simulation import VirtualRig, VirtualTruth, parse_truth
from rigwarp.tracing import OpticalModel, build_model, trace_map

FEWER = 4  # times fewer pixels along each side
RASTER_PER_MM = 2.0  # lit areas are filled in on a raster as fine as this: their edges are known to a quarter of a mm
STRIDE = 2  # lit areas are filled in as quadrilaterals of this many squared of the fewer pixels, 3 to 6 mm wide


@dataclass(frozen=True, kw_only=True)
class Case:
    rig: Rig
    truth: VirtualTruth
    meshes: dict[str, TriangleMesh]
    model: OpticalModel
    design: PixelMap
    built: VirtualRig
    true: PixelMap


def with_fewer_pixels(rig: Rig, truth: VirtualTruth) -> tuple[Rig, VirtualTruth]:
    """The same optics; (0, 0) stays the centre of the top-left pixel. One point stands for the projector's pupil."""

    def less(resolution: tuple[int, int]) -> tuple[int, int]:
        return resolution[0] // FEWER, resolution[1] // FEWER

    camera = replace(
        truth.camera,
        focal_px=truth.camera.focal_px / FEWER,
        principal_px=(truth.camera.principal_px + 0.5) / FEWER - 0.5,
        blur_px=truth.camera.blur_px / FEWER,
    )
    projector = replace(truth.projector, pupil_samples=1, blur_px=truth.projector.blur_px / FEWER)
    return (
        replace(
            rig,
            projector=replace(rig.projector, resolution=less(rig.projector.resolution)),
            camera=replace(rig.camera, resolution=less(rig.camera.resolution)),
        ),
        replace(truth, camera=camera, projector=projector),
    )


def without_errors(truth: VirtualTruth) -> VirtualTruth:
    """Everything exactly as designed."""
    zero = np.zeros(3)
    figure = replace(truth.built, radius_percent=0.0, zernike=(), dents=(), ripples=(), facets=())
    built = replace(figure, seat_shift_mm=zero, seat_turn_rad=zero)
    projector = replace(truth.projector, position_error_mm=zero, rotation_error_rad=zero, throw_ratio_percent=0.0)
    return replace(truth, built=built, projector=projector)


@pytest.fixture(scope="module", params=scenario_names())
def case(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Case:
    root = tmp_path_factory.mktemp("scenario") / request.param
    create_rig(request.param, root)
    folder = open_rig(root)
    truth = parse_truth((root / "virtual.toml").read_text(encoding="utf-8"), folder.rig)
    rig, truth = with_fewer_pixels(folder.rig, truth)
    model = build_model(rig, meshes=folder.meshes)
    built = VirtualRig(rig, truth, meshes=folder.meshes)
    return Case(
        rig=rig,
        truth=truth,
        meshes=folder.meshes,
        model=model,
        design=trace_map(model, step_px=1),
        built=built,
        true=built.true_map(),
    )


def lit_share(content: Content, table_mm: np.ndarray, zone: np.ndarray) -> float:
    """Share of the content within the quadrilaterals that a grid of pixel positions (H, W, 2) makes on the table.

    Quadrilaterals across the edge of a zone are left out.
    """
    rows, columns = (np.unique(np.append(np.arange(0, n, STRIDE), n - 1)) for n in zone.shape)
    table_mm, zone = table_mm[np.ix_(rows, columns)], zone[np.ix_(rows, columns)]
    quads = np.stack([table_mm[:-1, :-1], table_mm[:-1, 1:], table_mm[1:, 1:], table_mm[1:, :-1]], axis=2)
    zones = np.stack([zone[:-1, :-1], zone[:-1, 1:], zone[1:, 1:], zone[1:, :-1]], axis=2)
    quads = quads[(zones.min(axis=2) == zones.max(axis=2)) & (zones.min(axis=2) >= 0)]
    half = 0.6 * np.max(content.size_mm)  # of the raster, a little larger than the content
    near = (np.abs(quads.mean(axis=1)) < half).all(axis=1)
    side = int(2 * half * RASTER_PER_MM)
    lit = np.zeros((side, side), np.uint8)
    for quad in np.rint((quads[near] + half) * RASTER_PER_MM * 16).astype(np.int32):
        cv2.fillConvexPoly(lit, quad, 1, shift=4)
    place = (np.arange(side) + 0.5) / RASTER_PER_MM - half
    inside = inside_content(content, np.stack(np.meshgrid(place, place), axis=-1))
    return float(lit[inside].mean())


def test_design_lights_the_content(case: Case) -> None:
    """Up to the picture's very edge, which matters where two halves of it meet."""
    width, height = case.rig.projector.resolution
    corners = np.stack(np.meshgrid(np.arange(width + 1) - 0.5, np.arange(height + 1) - 0.5), axis=-1)
    trace = case.model.trace(corners)
    assert lit_share(case.rig.content, trace.table_mm, trace.zone) >= 0.999


def test_built_light_covers_the_content(case: Case) -> None:
    assert lit_share(case.rig.content, case.true.table_mm, case.true.zone) >= 0.99


def test_design_misses_by_millimetres(case: Case) -> None:
    """What there is to gain: clearly more than what could pass as good, but nothing grotesque."""
    seen = inside_content(case.rig.content, case.true.table_mm) & (case.design.zone == case.true.zone)
    error_mm = np.linalg.norm((case.true.table_mm - case.design.table_mm)[seen], axis=-1)
    assert seen.sum() > 10_000
    assert 3.0 < np.percentile(error_mm, 95) < 15.0


def test_built_mirror_does_not_fold_the_light(case: Case) -> None:
    """d(table)/d(pixel) has one sign all over a zone, so that every content pixel has one place in it."""
    across, down = (np.gradient(case.true.table_mm, axis=axis) for axis in (1, 0))
    area = across[..., 0] * down[..., 1] - across[..., 1] * down[..., 0]
    zone = case.true.zone
    whole = (np.roll(zone, 1, 1) == zone) & (np.roll(zone, -1, 1) == zone)  # gradients look at both neighbours
    whole &= (np.roll(zone, 1, 0) == zone) & (np.roll(zone, -1, 0) == zone)
    for number in range(zone.max() + 1):
        here = area[whole & (zone == number) & np.isfinite(area)]
        assert here.size > 10_000
        size = np.abs(here)
        assert np.all(np.sign(here) == np.sign(here[0]))
        assert size.min() > 0.3 * np.median(size)  # far from folding


def test_errors_are_within_two_sigma(case: Case) -> None:
    mirror, projector, built = case.rig.mirror, case.rig.projector, case.truth.built
    real = case.truth.projector
    assert np.abs(built.seat_shift_mm).max() <= 2 * mirror.position_tolerance_mm
    assert np.abs(built.seat_turn_rad).max() <= 2 * mirror.rotation_tolerance_rad
    assert np.abs(real.position_error_mm).max() <= 2 * projector.position_tolerance_mm
    assert np.abs(real.rotation_error_rad).max() <= 2 * projector.rotation_tolerance_rad


def test_design_agrees_with_an_independent_tracer(case: Case) -> None:
    """A perfect build, followed by the simulation on the closed form, lands where the design's tracing says.

    A closed form leaves rounding and the stopping of both iterations; a mesh what its spline fit costs, which has to
    stay under 0.02 mm (flat facets of 1.2 mm would be off by a few mm).
    """
    perfect = VirtualRig(case.rig, without_errors(case.truth), meshes=case.meshes).true_map()
    off_mm = np.linalg.norm((perfect.table_mm - case.design.table_mm), axis=-1)
    both = np.isfinite(off_mm) & (perfect.zone == case.design.zone)
    assert both.sum() >= 0.99 * perfect.answered.sum()
    rms_mm = float(np.sqrt(np.mean(off_mm[both] ** 2)))
    assert rms_mm < (0.02 if isinstance(case.rig.mirror.shape, MeshShape) else 1e-5)


def test_white_picture_exposes_well(case: Case) -> None:
    """The camera sees all of the content; white is bright everywhere in it and nowhere saturated."""
    camera = case.built.true_camera()
    edge_mm = outline_mm(case.rig.content, 200)
    points = np.concatenate([edge_mm, np.full((len(edge_mm), 1), case.rig.table.height_mm)], axis=1)
    turn, _ = cv2.Rodrigues(np.array(camera["R_camera_from_table"]))
    shift_mm, matrix, distortion = (np.array(camera[k]) for k in ("t_camera_from_table_mm", "matrix", "distortion"))
    edge_px, _ = cv2.projectPoints(points, turn, shift_mm, matrix, distortion)
    edge_px = edge_px[:, 0]
    assert np.all(edge_px > 2.0)
    assert np.all(edge_px < np.array(case.rig.camera.resolution) - 3.0)
    height, width = case.rig.projector.resolution[::-1]
    case.built.display.show(np.full((height, width), 255, np.uint8))
    photo = case.built.camera.grab()
    content = np.zeros(photo.shape, np.uint8)
    cv2.fillPoly(content, [np.rint(edge_px).astype(np.int32)], 1)
    content = cv2.erode(content, np.ones((3, 3), np.uint8))  # blur and rounding at the rim
    assert photo.max() < 250
    assert photo[content > 0].min() > 90


def test_mesh_is_a_clean_sheet(tmp_path: Path) -> None:
    """mirror.stl is one open sheet without slivers, and the same every time."""
    create_rig("freeform-desk", tmp_path / "a")
    create_rig("freeform-desk", tmp_path / "b")
    assert (tmp_path / "a" / "mirror.stl").read_bytes() == (tmp_path / "b" / "mirror.stl").read_bytes()
    mesh = open_rig(tmp_path / "a").meshes["mirror.stl"]
    corners = mesh.vertices_mm[mesh.faces]
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=-1)
    area = 0.5 * np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    assert np.all(area[:, 2] > 0.0)  # counter-clockwise from +z
    np.testing.assert_allclose(area[:, 2].sum(), 90.0 * 60.0, rtol=1e-6)  # covers the aperture once; float32 corners
    assert 1.0 < np.mean(sides) < 1.5
    assert np.all(2.0 * np.linalg.norm(area, axis=1) > 0.1 * sides.max(axis=1) ** 2)  # height over base
