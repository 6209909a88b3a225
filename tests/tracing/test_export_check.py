"""The uncertainty that a tessellation leaves, against errors that are known because the mesh was cut from a formula."""

import re
from dataclasses import replace

import numpy as np
import pytest

from rigwarp.geometry import TriangleMesh
from rigwarp.rig import MeshShape
from rigwarp.tracing import build_model, check_export, trace_map

_RESOLUTION = (160, 90)


@pytest.fixture
def exported(rig_around, conic_shape, scattered, mesh_from, rng):
    """Rig, model and map of a concave mirror's export, and the closed form's map."""

    def make(k, edge_mm, decimals):
        around = {"resolution": _RESOLUTION, "projector_mm": (0.0, 0.0, -120.0)}
        exact = build_model(rig_around(conic_shape(-100.0, k), **around), meshes={})
        points = scattered(rng, half_x=40.0, half_y=27.0, edge_mm=edge_mm)
        mesh = mesh_from(exact.surfaces[0].sag, points, stored=np.float32 if decimals is None else float)
        if decimals is not None:
            mesh = TriangleMesh(vertices_mm=np.round(mesh.vertices_mm, decimals), faces=mesh.faces)
        rig = rig_around(MeshShape(file="m.stl", reflecting_side=np.array([0.0, 0.0, -1.0]), crease_rad=None), **around)
        model = build_model(rig, meshes={"m.stl": mesh})
        return rig, model, trace_map(model), trace_map(exact)

    return make


@pytest.mark.parametrize(
    ("k", "edge_mm", "decimals"), [(0.0, 2.0, None), (-1.0, 2.0, None), (0.0, 2.0, 3), (-1.0, 2.0, 3), (0.0, 6.0, None)]
)
def test_predicted_and_true_error_agree_within_a_factor_of_two_or_so(exported, k, edge_mm, decimals):
    """From 6 mm facets that are too coarse to 2 mm ones whose vertices are rounded to 1 um or to float32."""
    _, _, found, truth = exported(k, edge_mm, decimals)
    both = found.answered & truth.answered
    per_axis = np.linalg.norm(found.table_mm - truth.table_mm, axis=-1)[both] / np.sqrt(2.0)
    sigma = found.sigma_mm[both]
    ratio = np.sqrt(np.mean(sigma**2) / np.mean(per_axis**2))
    assert 0.5 < ratio < 2.5  # one draw of a few dozen independent errors; the estimate leans to the safe side
    assert np.mean(per_axis > 3.0 * sigma) < 0.02


def test_the_check_names_edges_noise_and_the_limit(exported):
    rig, model, found, _ = exported(0.0, 2.0, 2)
    check = check_export(model, found, replace(rig, tolerance=replace(rig.tolerance, content_p95_mm=0.1)))
    (zone,) = check.zones
    assert zone.name == "patch 0"
    assert zone.tessellation.triangles == 2 * 40 * 27
    # a jittered grid of 2 x 2 mm: its sides are a little longer, every third edge is a diagonal
    assert 2.0 < zone.tessellation.edge_median_mm < 2.4
    assert 2.8 < zone.tessellation.edge_p95_mm < 4.0
    # rounding of z to 0.01 mm is 2.9 um (0.01 / sqrt(12)); that of x and y comes on top by the slope
    assert 0.0029 < zone.tessellation.noise_mm < 0.0033
    assert check.limit_mm == pytest.approx(0.01)
    assert not check.fine_enough
    assert "more decimals" in check.advice
    generous = check_export(model, found, replace(rig, tolerance=replace(rig.tolerance, content_p95_mm=10.0)))
    assert generous.fine_enough
    assert generous.advice == ""


def test_coarse_triangles_are_told_from_noisy_ones(exported):
    rig, model, found, _ = exported(0.0, 6.0, None)
    check = check_export(model, found, replace(rig, tolerance=replace(rig.tolerance, content_p95_mm=0.001)))
    assert "too coarse" in check.advice


def test_a_wave_that_triangles_skip_is_not_taken_for_rounding(rig_around, scattered, mesh_from, rng):
    """Vertices 0.1 mm off a smooth surface, in a file with steps of 4e-6 mm: more decimals would change nothing."""
    shape = MeshShape(file="m.stl", reflecting_side=np.array([0.0, 0.0, -1.0]), crease_rad=None)
    rig = rig_around(shape, resolution=(64, 36), projector_mm=(0.0, 0.0, -120.0))
    points = scattered(rng, half_x=60.0, half_y=45.0, edge_mm=9.0)
    mesh = mesh_from(lambda x, y: -(x * x + y * y) / 1400.0 + 0.3 * np.sin(0.3 * x) * np.cos(0.3 * y), points)
    model = build_model(rig, meshes={"m.stl": mesh})
    check = check_export(model, trace_map(model), rig)
    assert check is not None
    assert check.zones[0].tessellation.noise_mm > 0.05
    assert "too coarse" in check.advice
    assert "decimals" not in check.advice


def test_an_export_as_fine_as_the_advice_says_is_fine_enough(rig_around, scattered, mesh_from, rng):
    """A wave of 40 mm in irregular triangles of 5 mm; the second export has the edges that the first one asks for."""

    def sag(x, y):
        return -(x * x + y * y) / 700.0 + 0.3 * np.sin(0.16 * x) * np.cos(0.16 * y)

    shape = MeshShape(file="m.stl", reflecting_side=np.array([0.0, 0.0, -1.0]), crease_rad=None)
    rig = rig_around(shape, resolution=(64, 36), projector_mm=(0.0, 0.0, -120.0))
    rig = replace(rig, tolerance=replace(rig.tolerance, content_p95_mm=2.0))

    def judged(edge_mm):
        model = build_model(
            rig, meshes={"m.stl": mesh_from(sag, scattered(rng, half_x=40.0, half_y=27.0, edge_mm=edge_mm))}
        )
        return check_export(model, trace_map(model), rig)

    coarse = judged(5.0)
    assert not coarse.fine_enough
    assert "or as STEP" in coarse.advice
    median_mm = coarse.zones[0].tessellation.edge_median_mm
    asked_mm = float(re.search(r"edges of ([\d.]+) mm or less", coarse.advice).group(1))
    assert 1.0 < asked_mm < median_mm
    assert judged(5.0 * asked_mm / median_mm).fine_enough


def test_closed_forms_have_no_export_to_check(rig_around, conic_shape):
    rig = rig_around(conic_shape(), resolution=_RESOLUTION)
    model = build_model(rig, meshes={})
    assert check_export(model, trace_map(model), rig) is None


def test_an_export_that_says_nothing_is_not_usable(exported):
    """Beyond the whole tolerance of the picture a design is no design; between a tenth of it and that it is coarse."""
    rig, model, found, _ = exported(0.0, 2.0, 2)
    limit = check_export(model, found, rig).table_p95_mm
    for tolerance_mm, usable in ((0.9 * limit, False), (1.1 * limit, True)):
        check = check_export(model, found, replace(rig, tolerance=replace(rig.tolerance, content_p95_mm=tolerance_mm)))
        assert check.usable is usable
        assert not check.fine_enough
        assert "more decimals" in check.advice
