"""Conics against two outside optics libraries: stored results of one, and what the other traces now."""

import json
from pathlib import Path

import numpy as np
import outside_conics as outside
import pytest

from rigwarp.tracing import build_model

_WITHIN_MM = 1e-9  # rounding grows to 2.5e-11 mm where light lands metres out (check_values.md §2.1)

stored = json.loads((Path(__file__).parent / "data" / "optiland_conics.json").read_text(encoding="utf-8"))


def _ours(rig_around, conic_shape, radius_mm, k):
    model = build_model(rig_around(conic_shape(radius_mm, k, aperture_mm=(0.0, 95.0))), meshes={})
    return model.trace(np.array(outside.PIXELS), extended=True).table_mm


@pytest.mark.parametrize("case", stored["table_mm"], ids=lambda c: f"R={c['radius_mm']:g}, k={c['conic']:g}")
def test_conics_are_traced_as_stored(rig_around, conic_shape, case):
    ours = _ours(rig_around, conic_shape, case["radius_mm"], case["conic"])[:: stored["every"]]
    theirs = np.array(case["xy"])
    assert np.isfinite(theirs).all()
    assert np.abs(ours - theirs).max() < _WITHIN_MM


@pytest.mark.parametrize(("radius_mm", "k"), outside.CASES)
def test_conics_are_traced_as_by_the_library_itself(rig_around, conic_shape, radius_mm, k):
    theirs = outside.trace(radius_mm, k)
    assert np.abs(_ours(rig_around, conic_shape, radius_mm, k) - theirs).max() < _WITHIN_MM
