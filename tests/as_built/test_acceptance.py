"""A flat in place of the mirror: the traced scan of a bowed float glass must be judged by its slope."""

import numpy as np
import pytest
from as_built_rig import TOLERANCES, make_camera, model_of, scan, spline_of

from rigwarp.as_built import estimate_as_built
from rigwarp.geometry import rotation_from_degrees
from rigwarp.rig import Facet, FacetsShape


def flat_model():
    corners = np.array([[-35.0, -35.0, 0.0], [35.0, -35.0, 0.0], [35.0, 35.0, 0.0], [-35.0, 35.0, 0.0]])
    shape = FacetsShape(facets=(Facet(corners_mm=corners, bend_radius_mm=None, bend_axis=None),))
    rotation = rotation_from_degrees(np.array([-28.6, 0.0, 0.0]))
    return model_of(shape, np.array([0.0, -32.0, 403.0]), np.array([0.0, 60.0, 480.0]), rotation)


@pytest.mark.parametrize(("saddle_mrad", "passes"), [(0.1, True), (2.0, False)])
def test_a_flat_passes_when_its_slopes_are_those_of_float_glass(saddle_mrad, passes):
    """A saddle x^2 - y^2 has no power: what is judged is irregularity, which one table height tells."""
    model, camera = flat_model(), make_camera()
    curve = saddle_mrad * 1e-3 / 2.0 / 25.0  # slope at 25 mm from the middle
    built = model.with_figure({0: spline_of(lambda x, y: curve * (x * x - y * y))})
    result = estimate_as_built(model, scan(built, camera, step_px=26, lit_by=model), TOLERANCES, camera)
    assert result.acceptance is not None
    assert result.acceptance.passed is passes
    assert result.to_dict()["flat_acceptance"]["passed"] is passes
