"""The pupil's smear of landing points: second derivatives in closed form."""

import numpy as np
import pytest

from rigwarp.as_built.solve.shared_errors import BEAM_MM2, pupil_smear

LINE = np.arange(-20.0, 20.1, 0.5)
PLACE = np.stack(np.meshgrid(LINE, LINE), axis=-1).reshape(-1, 2)
ONE = np.zeros(len(PLACE), np.int64)


def test_of_a_quadratic_is_half_its_laplacian_times_the_beam():
    x, y = PLACE.T
    table = np.stack([3.0 * x + 0.02 * x * x + 0.5 * x * y, 4.0 * y - 0.03 * y * y + 0.01 * x * x], axis=-1)
    wanted = 0.5 * BEAM_MM2 * np.array([0.04, -0.04])
    # mm; a quadratic through the neighbours is exact but for the stiffness, felt most in the corners: 3 nm of 5 um
    np.testing.assert_allclose(pupil_smear(PLACE, table, ONE), np.broadcast_to(wanted, PLACE.shape), atol=1e-5)


def test_of_a_ripple_takes_a_share_of_its_amplitude():
    """A beam of variance s^2 leaves exp(-k^2 s^2 / 2) of a wave, to first order 1 - k^2 s^2 / 2."""
    k = 2.0 * np.pi / 12.0
    wave = np.sin(k * PLACE[:, 1])
    table = np.stack([5.0 * PLACE[:, 0], 5.0 * PLACE[:, 1] + wave], axis=-1)
    inside = (np.abs(PLACE) < 17.0).all(axis=-1)
    share = np.polyfit(wave[inside], pupil_smear(PLACE, table, ONE)[inside, 1], 1)[0]
    # quadratics over 3 mm of a wave of 12 mm flatten its curvature by some per cent
    assert share == pytest.approx(-0.5 * BEAM_MM2 * k**2, rel=0.1)


def test_groups_do_not_mix_and_missing_places_have_none():
    table = 5.0 * PLACE
    table[PLACE[:, 0] > 0.0] += 40.0  # the neighbouring panel sends its light elsewhere
    place = PLACE.copy()
    place[7] = np.nan
    smear = pupil_smear(place, table, (PLACE[:, 0] > 0.0).astype(np.int64))
    assert np.abs(smear).max() < 1e-6  # mm: both sides are linear
    np.testing.assert_array_equal(smear[7], 0.0)
    assert np.abs(pupil_smear(place, table, ONE)).max() > 0.1
