"""A ripple that only blurs: told from stripes with a known loss, and not seen where there is none."""

import numpy as np
import pytest
from as_built_rig import findings_told, moved, scan
from fine_stripes import PERIODS_PX, Blur, stripes

from rigwarp.as_built.describe.ripple import Ripple
from rigwarp.as_built.fine_ripple.estimate import ASSUMED_PITCH_MM, FineRipple, fine_ripples
from rigwarp.decode import Modulation


@pytest.fixture(scope="module")
def seated(model, camera):
    """A rig that is mounted a little wrong, and the samples of its map."""
    shifts = np.array([1.0, -0.8, 0.9, 0.0, 0.0, 0.0, 0.3, -0.3, 0.2, *np.deg2rad([0.2, -0.2, 0.1])])
    built = moved(model, shifts)
    samples, _, zone, *_ = scan(built, camera, step_px=12)
    return built, samples, zone


def shown_by(built, camera, *, seed=0, **blur):
    return stripes(built, camera, Blur(**blur), np.random.default_rng(seed))


@pytest.mark.parametrize("direction_deg", [0.0, 25.0, 90.0])
def test_a_ripple_is_told_from_what_else_blurs(model, camera, seated, direction_deg):
    """1.5 mrad rms spread light by 1.5 mm rms on the table, 2 px: 4 px^2, sixteen times what a lens is trusted with."""
    built, samples, zone = seated
    shown = shown_by(built, camera, slope_mrad=1.5, direction_deg=direction_deg)
    found = fine_ripples(model, [shown], samples, zone, camera)
    assert len(found) == 1
    ripple = found[0]
    off = (ripple.direction_deg - direction_deg + 90.0) % 180.0 - 90.0
    assert abs(off) < 2.5 * ripple.direction_sigma_deg
    assert ripple.direction_sigma_deg < 25.0
    assert ripple.slope_rms_mrad == pytest.approx(1.5, rel=0.15)
    assert ripple.amplitude_um == pytest.approx(np.sqrt(2.0) * ripple.slope_rms_mrad * ASSUMED_PITCH_MM / (2.0 * np.pi))


@pytest.mark.parametrize("seed", range(4))
def test_no_ripple_is_seen_in_an_astigmatic_beam_and_a_usual_lens(model, camera, seated, seed):
    """The lens spreads light by 0.5 px along one direction and not along the other: common, and no ripple."""
    built, samples, zone = seated
    lens = [(0.7, 0.7), (0.95, 0.7), (0.7, 0.95), (0.1, 0.1)][seed]
    shown = shown_by(built, camera, lens_px2=lens, seed=seed)
    assert fine_ripples(model, [shown], samples, zone, camera) == ()


def test_halfway_between_the_stripes_it_looks_like_defocus_and_is_not_claimed(model, camera, seated):
    built, samples, zone = seated
    shown = shown_by(built, camera, slope_mrad=0.8, direction_deg=45.0)
    assert fine_ripples(model, [shown], samples, zone, camera) == ()


def test_a_ripple_that_shows_as_displacement_is_not_told_twice(model, camera, seated):
    """0.6 um every 2 mm along y have slopes of 1.3 mrad rms: what they blur within the beam is the same ripple."""
    built, samples, zone = seated
    shown = shown_by(built, camera, slope_mrad=1.5, direction_deg=90.0)
    alike = Ripple(period_mm=2.0, amplitude_um=0.6, direction_deg=92.0, over_noise=100.0)
    across = Ripple(period_mm=2.0, amplitude_um=0.6, direction_deg=2.0, over_noise=100.0)
    assert fine_ripples(model, [shown], samples, zone, camera, known=alike) == ()
    assert len(fine_ripples(model, [shown], samples, zone, camera, known=across)) == 1


def test_too_little_light_or_one_period_alone_tell_nothing(model, camera, seated):
    built, samples, zone = seated
    shown = shown_by(built, camera, slope_mrad=1.5, direction_deg=90.0)
    few = shown.only(np.arange(len(shown.u)) < 40)
    one = Modulation(**{**vars(shown), "u": shown.u[:, :1], "periods_u_px": PERIODS_PX[:1]})
    assert fine_ripples(model, [few], samples, zone, camera) == ()
    assert fine_ripples(model, [one], samples, zone, camera) == ()
    assert fine_ripples(model, [], samples, zone, camera) == ()


def test_the_finding_says_that_it_is_an_estimate_and_what_the_warp_cannot_do():
    ripple = FineRipple(
        zone=0,
        direction_deg=88.0,
        direction_sigma_deg=12.0,
        also_possible_deg=(31.0,),
        slope_rms_mrad=1.5,
        slope_rms_sigma_mrad=0.2,
        spread_mm=1.4,
        spread_px=1.0,
        assumed_pitch_mm=ASSUMED_PITCH_MM,
        amplitude_um=0.0675,
    )
    (finding,) = findings_told(fine_ripples=(ripple,))
    assert finding.what.startswith("estimate: ")
    assert "88° or 31°" in finding.what
    assert "0.07 µm if every 0.2 mm" in finding.what
    assert "print layers" in finding.cause
    assert "astigmatic projector lens" in finding.cause
    assert "cannot take it away" in finding.prewarp
    assert (finding.moves_mm, finding.effect) == (1.4, "spreads the light of a pixel to either side by")
