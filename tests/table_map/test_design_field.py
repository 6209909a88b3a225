"""The design between its traces: against the trace itself, and the quick way against the exact splines."""

import numpy as np
from bench_rigs import convex_rig

from rigwarp.table_map.design_field import design_field
from rigwarp.tracing import build_model


def test_splines_and_series_agree_with_the_trace() -> None:
    rig = convex_rig()
    model = build_model(rig, meshes={})
    pixels = np.random.default_rng(2).uniform([200, 120], [440, 240], (3000, 2))
    field = design_field(model, 0, pixels)
    traced = model.trace(pixels).table_mm
    assert np.abs(field.table_mm(pixels) - traced).max() < 1e-5  # mm; the map's own noise is a hundred times that
    table, slope = field.table_and_slope_mm(pixels)
    assert np.abs(table - traced).max() < 5e-5
    half = 0.5
    steps = [
        (model.trace(pixels + step).table_mm - model.trace(pixels - step).table_mm) / (2 * half)
        for step in np.array([[half, 0.0], [0.0, half]])
    ]
    # within a pixel of its node the slope of 1 to 2 mm per pixel changes by some parts in a thousand
    assert np.abs(slope - np.stack(steps, axis=-1)).max() < 0.02


def test_whole_pixels_are_the_same_as_single_ones() -> None:
    rig = convex_rig()
    model = build_model(rig, meshes={})
    field = design_field(model, 0, np.array([[200.0, 120.0], [440.0, 240.0]]))
    here = np.zeros((360, 640), bool)
    here[130:230:10, 210:430:20] = True
    v, u = np.nonzero(here)
    at = np.stack([u, v], axis=-1).astype(float)
    assert (
        np.abs(np.stack(field.on_pixels(here)(slice(0, len(here))), axis=-1)[here] - field.table_mm(at)).max() < 1e-9
    )  # mm: the same splines
