"""Each panel of a folded mirror by itself, on a traced scan whose fold has opened by a known angle."""

import numpy as np
import pytest
from as_built_rig import TOLERANCES, folded_model, make_camera, scan

from rigwarp.as_built import estimate_as_built
from rigwarp.geometry.height_spline import HeightSpline

OPENED_DEG = 0.3
HALF_MM = 31.89  # half the panels' width: the fold lies at +- that in the panels' own frames


def plane(slope, x_fold):
    """A figure that turns a panel about the fold: slope (x - x_fold)."""
    blank = HeightSpline.over(((-40.0, 40.0), (-50.0, 50.0)), cells=(4, 4), degree=5)
    # a spline's coefficients of a straight line are its values at the means of the knots (Greville 1969)
    knots = blank.knots[0]
    means = np.array([knots[i + 1 : i + 6].mean() for i in range(blank.coefficients_mm.shape[0])])
    return blank.with_coefficients(np.repeat(slope * (means - x_fold)[:, None], blank.coefficients_mm.shape[1], axis=1))


@pytest.fixture(scope="module")
def opened():
    model, camera = folded_model(), make_camera()
    half = np.tan(np.deg2rad(OPENED_DEG / 2.0))
    built = model.with_figure({0: plane(half, HALF_MM), 1: plane(-half, -HALF_MM)})
    table = scan(built, camera, step_px=20, reach_mm=400.0, lit_by=model)
    return estimate_as_built(model, table, TOLERANCES, camera)


def test_the_fold_opened_by_what_it_was_opened(opened):
    (fold,) = opened.folds
    assert fold.zones == (0, 1)
    assert fold.opened_deg == pytest.approx(OPENED_DEG, abs=3.0 * fold.sigma_deg)
    assert fold.sigma_deg < 0.1
    assert fold.opened_deg > 0.1  # and not the other way


def test_panels_that_were_only_turned_are_neither_bent_nor_twisted(opened):
    assert len(opened.panels) == 2
    for panel in opened.panels:
        assert abs(panel.twist_um) < 3.0 * panel.twist_sigma_um
        assert (np.abs(panel.bend_um) < 3.0 * panel.bend_sigma_um).all()


def test_the_fold_is_found_in_words(opened):
    words = [finding.what for finding in opened.findings]
    assert any("fold between panels 0 and 1 opened" in text for text in words)
