"""What a second table height and a measured length add: the mirror's radius apart from its distance."""

from dataclasses import replace

import numpy as np
import pytest
from as_built_rig import TOLERANCES, concave_model, make_camera, make_model, moved, scan
from rig_text import rig_text

from rigwarp.as_built import RaisedScan, estimate_as_built
from rigwarp.as_built import estimate as estimate_module
from rigwarp.as_built.solve.measured import Lengths, length_mm
from rigwarp.camera.table.raised_board import RaisedBoard
from rigwarp.commands.fit_text import heights_told
from rigwarp.errors import InputError, MeasurementError
from rigwarp.rig import MEASURED_LENGTHS, Measured, parse_rig

LOOSE = np.repeat([2.0, 0.01, 2.0, 0.01], 3)  # mm and rad: poses as from a ruler and a protractor
STEP_PX = 26
RIG = rig_text('kind = "conic"\nradius_mm = 250\nconic_constant = 0\naperture_mm = [0, 45]\nposition_mm = [0, 0, 600]')


def power_sigma_um(result):
    return next(t.sigma_um for t in result.zernike if (t.n, t.m) == (2, 0))


def test_a_second_height_shrinks_the_uncertainty_of_the_radius_more_than_three_times():
    """A concave sphere of R = 100 mm, heights 0 and 100 mm; a linear study of this rig finds a factor of 6."""
    model, camera = concave_model(), make_camera()
    table = scan(model, camera, step_px=STEP_PX)
    cells, sigma, zone, *_ = scan(replace(model, table_height_mm=100.0), camera, step_px=STEP_PX, seed=1)
    stands = RaisedBoard(
        middle_mm=np.zeros(2),
        rise_mm=100.0,
        rise_sigma_mm=0.2,
        slope=np.zeros(2),
        slope_sigma=np.full(2, 2e-4),  # what noise of 0.03 px in the corners of a sheet leaves
        corners=54,
    )
    board = RaisedScan(cells=cells, cell_sigma_mm=sigma, cell_zone=zone, camera=camera, board=stands)
    one = estimate_as_built(model, table, LOOSE, camera)
    two = estimate_as_built(model, table, LOOSE, camera, raised=[board])
    assert power_sigma_um(one) > 3.0 * power_sigma_um(two)
    assert [height.raised_mm for height in two.heights] == [0.0, 100.0]
    assert two.heights[1].residual_rms_mm < 0.03  # mm; noise of 0.02
    power = next(t for t in two.zernike if (t.n, t.m) == (2, 0))
    assert abs(power.um) < 3.0 * power.sigma_um  # the mirror is as designed


def test_a_measured_length_enters_as_data():
    """Steel rule from lens to vertex, 0.1 mm: the fitted distance follows it and the power becomes surer."""
    model, camera = make_model(), make_camera()
    seat = np.array([1.5, -1.2, 1.4, 0, 0, 0, 0.3, 0.2, -0.3, 0, 0, 0])
    built = moved(model, seat)
    what = "projector to mirror vertex"
    ruler = Measured(what=what, mm=length_mm(built, what), sigma_mm=0.1)
    table = scan(built, camera, step_px=STEP_PX)
    without = estimate_as_built(model, table, TOLERANCES, camera)
    with_it = estimate_as_built(model, table, TOLERANCES, camera, measured=[ruler])
    shifts = with_it.pose.values / np.repeat([1.0, 1000.0, 1.0, 1000.0], 3)
    assert abs(length_mm(moved(model, shifts), what) - ruler.mm) < 0.3  # three of its sigmas
    assert power_sigma_um(with_it) < 0.7 * power_sigma_um(without)


def test_what_is_said_to_tell_the_power_does_so_when_it_is_done():
    """The forecast from the covariance against the fit itself: lengths as good as asked, and three times worse."""
    model, camera = concave_model(), make_camera()
    table = scan(model, camera, step_px=STEP_PX)
    found = estimate_as_built(model, table, LOOSE, camera)
    assert not found.power_determined
    (lengths,) = (one for one in found.deciders if one.lengths)

    def told(sigma_mm):
        rulers = [Measured(what=what, mm=length_mm(model, what), sigma_mm=sigma_mm) for what in lengths.lengths]
        return estimate_as_built(model, table, LOOSE, camera, measured=rulers)

    ending = "s" * (len(lengths.lengths) > 1)
    named = ", ".join(f'"{name}"' for name in lengths.lengths)
    enough = told(lengths.sigma_mm)
    assert enough.power_determined
    assert enough.deciders is None
    assert heights_told(enough) == f"the table and the measured length{ending} {named}"
    assert enough.to_dict()["power"]["note"].endswith("told by the scan and the measured length" + ending)
    worse = told(3.0 * lengths.sigma_mm)
    assert not worse.power_determined
    assert heights_told(worse).endswith("which do not tell the radius against the distance")
    assert f"not by the scan or the measured length{ending}:" in worse.to_dict()["power"]["note"]
    assert heights_told(found) == "the table alone, which does not tell the radius against the distance"
    assert not any(set(one.lengths) & set(lengths.lengths) for one in worse.deciders)  # it has them already
    (raised,) = (one for one in found.deciders if one.raised_mm)
    cells, sigma, zone, *_ = scan(replace(model, table_height_mm=raised.raised_mm), camera, step_px=STEP_PX, seed=1)
    stands = RaisedBoard(
        middle_mm=np.zeros(2),
        rise_mm=raised.raised_mm,
        rise_sigma_mm=0.2,
        slope=np.zeros(2),
        slope_sigma=np.full(2, 3e-4),
        corners=54,
    )
    board = RaisedScan(
        cells=cells, cell_sigma_mm=sigma, cell_zone=zone, camera=camera, board=stands, moved_sigma_mm=0.05
    )
    assert estimate_as_built(model, table, LOOSE, camera, raised=[board]).power_determined


def test_what_would_not_help_is_not_asked_for():
    """A convex mirror with tight tolerances: neither the board nor rulers bring the tolerances' share down."""
    model, camera = make_model(), make_camera()
    table = scan(model, camera, step_px=STEP_PX)
    found = estimate_as_built(model, table, TOLERANCES, camera)
    assert found.deciders == ()
    assert "neither a length" in found.to_dict()["power"]["decided_by"]
    lengths = ("projector to mirror vertex", "mirror vertex to table")
    rulers = [Measured(what=what, mm=length_mm(model, what), sigma_mm=0.1) for what in lengths]
    assert not estimate_as_built(model, table, TOLERANCES, camera, measured=rulers).power_determined


@pytest.mark.parametrize("what", MEASURED_LENGTHS)
def test_lengths_are_those_of_the_model_and_their_derivatives_fit(what):
    model = make_model()
    scale = np.concatenate([TOLERANCES, [0.005, 0.004, 0.004]])
    measured = Measured(what=what, mm=length_mm(model, what) + 1.0, sigma_mm=0.5)
    lengths = Lengths(model, [measured], scale)
    assert lengths.residual(np.zeros(15)) == pytest.approx([2.0])  # 1 mm at a sigma of 0.5 mm
    step = 1e-3 * np.eye(15)[2]  # of the projector's shift along z
    change = lengths.residual(np.zeros(15)) - lengths.residual(step)
    assert lengths.jacobian(np.zeros(15)) @ step == pytest.approx(change, abs=1e-5)


def test_measured_lengths_are_read_from_the_rig_file():
    text = RIG + '[[measured]]\nwhat = "projector to mirror vertex"\nmm = 275.0\n'
    assert parse_rig(RIG).measured == ()
    assert parse_rig(text).measured == (Measured(what="projector to mirror vertex", mm=275.0, sigma_mm=0.5),)


def test_a_length_that_nobody_knows_is_refused():
    with pytest.raises(InputError, match=r"what.*projector to table"):
        parse_rig(RIG + '[[measured]]\nwhat = "projector to moon"\nmm = 4e11\n')


def test_equations_without_a_solution_become_advice(monkeypatch):
    def singular(*_, **__):
        raise np.linalg.LinAlgError("Singular matrix")

    monkeypatch.setattr(estimate_module, "fit_map", singular)
    model, camera = make_model(), make_camera()
    with pytest.raises(MeasurementError, match="too small a part of the mirror"):
        estimate_as_built(model, scan(model, camera, step_px=STEP_PX), TOLERANCES, camera)
