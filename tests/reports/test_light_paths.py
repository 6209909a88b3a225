"""Where a design's light goes: shares that follow from geometry."""

import numpy as np
import pytest
from rig_text import circle, rig_text

from rigwarp.geometry import TriangleMesh
from rigwarp.reports.measures.light_paths import judge_light
from rigwarp.reports.measures.pixel_scale import pixel_light
from rigwarp.reports.measures.tolerance_rows import SENSITIVITY_HEAD, cause_rows, sensitivity_rows
from rigwarp.rig import parse_rig
from rigwarp.tracing import analyse_tolerances, build_model, sensitivity, trace_map, trace_pixels

_SPILL = rig_text(
    'kind = "facets"\nposition_mm = [0, 0, 900]\n[[mirror.facet]]\n'
    "corners_mm = [[0.0, -1, 0.2], [0.03, -1, 0.0], [0.03, 1, 0.0], [0.0, 1, 0.2]]",
    resolution=(200, 100),
    throw_ratio=1000,
    projector="position_mm = [0, 0, 1000]\nrotation_deg = [180, 0, 0]",
    table='shape = "rectangle"\nsize_mm = [1.5, 0.5]',
    content='shape = "rectangle"\nsize_mm = [0.5, 0.5]\npixels = [16, 16]',
)
_DOME = rig_text(
    'kind = "conic"\nradius_mm = 100\nconic_constant = 0\naperture_mm = [0, 60]\nposition_mm = [0, 0, 400]',
    resolution=(320, 180),
    projector="position_mm = [0, 0, 310]\nrotation_deg = [0, 0, 0]",
    content=f"{circle(300)}\npixels = [16, 16]",
)


def test_light_past_the_mirror_spills_where_the_projector_points():
    """A projector straight above the table, its beam 1 mm wide there, and a strip of mirror in 0.3 of it.

    The strip is steep and sends its light sideways and upward; 0.5 mm of the 1 mm lies on the content.
    """
    rig = parse_rig(_SPILL)
    model = build_model(rig, meshes={})
    reason = trace_pixels(model).reason
    light = judge_light(model, trace_map(model), reason, rig)
    # at the mirror the beam is 0.1 mm wide: the strip from 0 to 0.03 covers 60 of 200 columns
    assert light.upward + light.reflected == pytest.approx(0.3, abs=0.005)
    assert light.spill == pytest.approx(0.7, abs=0.005)
    # content: |x| < 0.25 mm, 100 of 200 columns, of which the strip shades 50 (x from 0 to 0.25)
    assert light.spill_on_content == pytest.approx(0.25, abs=0.005)
    rows = dict(light.rows())
    assert rows["  passes the mirror and spills onto the table plane"] == f"{100 * light.spill:.1f} %"
    assert "  blocked before the mirror" not in rows
    assert light.zone_rows()[0][:2] == ("0", "facet 0")


def test_light_that_a_plate_keeps_from_the_content():
    """A plate of 5 x 5 mm right over the lens of the dome's rig, between it and the mirror's middle."""
    text = _DOME + '[[obstacle]]\nfile = "plate.stl"\nposition_mm = [0, 0, 350]\n'
    rig = parse_rig(text)
    plate = TriangleMesh(
        vertices_mm=np.array([[-2.5, -2.5, 0], [2.5, -2.5, 0], [2.5, 2.5, 0], [-2.5, 2.5, 0]], float),
        faces=np.array([[0, 1, 2], [0, 2, 3]]),
    )
    model = build_model(rig, meshes={"plate.stl": plate})
    light = judge_light(model, trace_map(model), trace_pixels(model).reason, rig)
    # 40 mm over the lens, with a focal length of 384 px: the middle 48 x 48 px
    assert light.blocked_before == pytest.approx(float(pixel_light(rig.projector)[66:114, 136:184].sum()), rel=1e-9)
    # the middle of the dome lights the middle of the table, 150 mm around it and more
    assert light.blocked_from_content == pytest.approx(light.blocked_before + light.blocked_after)


def test_rows_of_a_sensitivity():
    rig = parse_rig(_DOME)
    model = build_model(rig, meshes={})
    found = sensitivity(model, rig)
    rows = sensitivity_rows(found)
    assert all(len(row) == len(SENSITIVITY_HEAD) for row in rows)
    names = [row[0] for row in rows]
    assert names[:2] == ["projector along x", "projector along y"]
    assert "mirror radius" in names
    spin = rows[names.index("mirror about z")]  # a coaxial sphere does not show its spin
    assert spin[2:5] == ("0", "0", "0")
    assert sum(row[1] == "µm" for row in rows) == 5
    expected = analyse_tolerances(found, np.random.default_rng(0), draws=50)
    assert [row[0] for row in cause_rows(expected)] == [c.name for c in expected.causes]
    assert cause_rows(expected)[0][2].endswith("%")
