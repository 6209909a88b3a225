"""The full-picture map: the coarse path against the dense one, and a mesh against the surface it was cut from."""

from time import process_time

import numpy as np

from rigwarp.rig import MeshShape
from rigwarp.tracing import build_model, trace_map


def test_coarse_grid_agrees_with_every_pixel_traced(rig_around, conic_shape):
    model = build_model(rig_around(conic_shape(aperture_mm=(3.0, 21.0)), resolution=(320, 180)), meshes={})
    coarse, dense = trace_map(model), trace_map(model, step_px=1)
    assert np.array_equal(coarse.zone, dense.zone)
    off = np.linalg.norm(coarse.table_mm - dense.table_mm, axis=-1)
    assert np.nanmax(off) < 1e-4  # mm: a thousandth of what any camera can see on the table
    assert not coarse.measured.any()
    assert np.all(coarse.sigma_mm[coarse.answered] == 0.0)


def test_a_picture_of_1280_by_720_takes_less_than_two_seconds(rig_around, conic_shape):
    model = build_model(rig_around(conic_shape()), meshes={})
    start = process_time()  # other work on the machine must not decide
    trace_map(model)
    assert process_time() - start < 2.0


def test_stl_of_a_sphere_traces_like_the_sphere(rig_around, conic_shape, scattered, mesh_from, rng):
    """check_values.md §8: 1 mm irregular, float32; flat facets would be 3.5 mm off."""
    exact = build_model(
        rig_around(conic_shape(-100.0, aperture_mm=(0.0, 60.0)), projector_mm=(0, 0, -120.0)), meshes={}
    )
    sag = exact.surfaces[0].sag
    mesh = mesh_from(sag, scattered(rng, half_x=40.0, half_y=27.0, edge_mm=1.0))
    shape = MeshShape(file="m.stl", reflecting_side=np.array([0.0, 0.0, 1.0]), crease_rad=None)
    rig = rig_around(shape, projector_mm=(0, 0, -120.0))
    found, truth = trace_map(build_model(rig, meshes={"m.stl": mesh})), trace_map(exact)
    both = found.answered & truth.answered
    assert both.sum() > 0.5 * both.size
    off = np.linalg.norm(found.table_mm - truth.table_mm, axis=-1)[both]
    assert np.sqrt(np.mean(off**2)) <= 0.005
