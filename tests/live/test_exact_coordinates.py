"""What a renderer samples is what was computed from the table map, not what a mesh made of it."""

from dataclasses import replace

import numpy as np
import pytest
from bent_rig import bent_map

from rigwarp.live.render.sampling import GRID
from rigwarp.live.render.warp import warp_of
from rigwarp.prewarp import Adjustment, build_prewarp, mesh_coordinates
from rigwarp.prewarp.adjustment import adjusted_canvas
from rigwarp.rig import Content
from rigwarp.rig.canvas import table_to_content

CONTENT = Content(
    shape="rectangle", size_mm=(160.0, 120.0), centre_mm=np.array([4.0, -3.0]), rotation_rad=0.3, pixels=(800, 600)
)


@pytest.fixture(scope="module")
def bent():
    """A bent map, its prewarp, and the exact content coordinate of every projector pixel."""
    table_map = bent_map()
    return build_prewarp(table_map, CONTENT, 2.2), table_to_content(CONTENT, table_map.table_mm)


def test_renderers_sample_where_the_map_says(bent):
    """Coordinates to 1e-3 px; sampled places to half a step of the grid that CPU and GPU share, beside that."""
    prewarp, exact = bent
    warp, lit = warp_of(prewarp, CONTENT), prewarp.gain > 0
    assert np.abs(warp.canvas_px - exact)[lit].max() < 1e-3
    samples = warp.samples(CONTENT.pixels)  # what the renderers of both kinds draw with
    shown = samples.gain_root > 0
    assert shown.sum() > 0.9 * lit.sum()
    assert np.abs(samples.position_px - exact)[shown].max() < 0.5 / GRID + 1e-3
    assert np.linalg.norm(mesh_coordinates(prewarp) - exact, axis=-1)[lit].max() > 0.01  # the mesh does not


def test_corrections_by_hand_start_from_the_exact_coordinates(bent):
    prewarp, exact = bent
    asked = Adjustment(shift_mm=(3.0, -2.0), turn_deg=1.5)
    samples = warp_of(prewarp, CONTENT, adjustment=asked).samples(CONTENT.pixels)
    wanted = adjusted_canvas(exact, CONTENT, asked)
    near = (samples.gain_root > 0) & (wanted > 0).all(axis=-1) & (wanted < np.array(CONTENT.pixels) - 1).all(axis=-1)
    assert near.sum() > 1000
    assert np.abs(samples.position_px - wanted)[near].max() < 0.5 / GRID + 1e-3


def test_a_prewarp_of_an_older_version_plays_from_its_mesh(bent):
    prewarp, _ = bent
    warp = warp_of(replace(prewarp, canvas_px=None), CONTENT)
    np.testing.assert_array_equal(warp.canvas_px, mesh_coordinates(prewarp))
