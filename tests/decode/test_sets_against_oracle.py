"""All four sets on one scene, against whole pixels found by OpenCV-contrib and against the known answer."""

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from decode_scenes import NOISE, PROJECTOR, judge, small
from synthetic_scan import photographs, smooth_scene

from rigwarp.decode import decode
from rigwarp.errors import MeasurementError
from rigwarp.patterns import PatternSet, PhaseFrame, make_set

REFERENCE = Path(__file__).parent / "gray_code_reference.npz"  # its origin is in the file; see tests/support
CAMERA_SHAPE = (120, 160)


@pytest.mark.parametrize("name", ["fast", "short", "fine", "gray"])
def test_whole_pixels_agree_with_an_outside_decoder(name: str) -> None:
    with np.load(REFERENCE) as stored:
        pixels, origin = stored["pixels"], json.loads(str(stored["origin"]))
    assert origin["computed_by"].startswith("cv2.structured_light.GrayCodePattern")
    u, v, brightness, ambient = smooth_scene(CAMERA_SHAPE, PROJECTOR)
    patterns = make_set(name, PROJECTOR, 2.2)
    photos = photographs(
        patterns, u, v, brightness=brightness, ambient=ambient, rng=np.random.default_rng(3), noise=NOISE, response=1.0
    )
    decoded = decode(photos, patterns)
    both = decoded.valid & (pixels[..., 0] >= 0)
    assert both.mean() > 0.99
    # a whole pixel is off by up to half a pixel; our noise here is up to 0.1 px, so 0.5 px more is five sigma
    assert np.abs(decoded.u_px - pixels[..., 0])[both].max() < 1.0
    assert np.abs(decoded.v_px - pixels[..., 1])[both].max() < 1.0
    assert abs(np.mean((decoded.u_px - pixels[..., 0])[both])) < 0.01  # pixel centres, not corners: 0.5 would show


@pytest.mark.parametrize(("name", "two_path"), [("fast", 0.95), ("short", 0.95), ("fine", 0.95), ("gray", 0.95)])
def test_the_hard_scene_is_decoded_or_refused(name: str, two_path: float) -> None:
    """The full-size figures are the benchmark's; this is a quarter of the picture in each direction."""
    patterns = make_set(name, PROJECTOR, 2.2)
    judged, photos = small(patterns)
    figures = judge(judged, patterns, decode(photos, patterns), photos)
    assert figures["precision"] >= 0.998
    assert figures["recall"] >= 0.98  # at a quarter of the size rims are four times as much of it
    assert figures["wrong_by_4px"] <= 1e-4
    assert figures["two_path_rejected"] >= two_path
    assert figures["std_over_bound"] <= 1.03
    assert 0.96 < figures["z_spread"] < 1.04


def _beside_gray_code(periods: Sequence[float], *, steps: int) -> PatternSet:
    """A set that others drew, as patterns.json brings it."""
    plain = make_set("gray", PROJECTOR, 2.2)
    first = plain.frames[0].exposure
    waves = [
        PhaseFrame(axis=axis, period_px=period, step=step, steps=steps, exposure=first)
        for axis in ("x", "y")
        for period in periods
        for step in range(steps)
    ]
    others = [frame for frame in plain.frames if not isinstance(frame, PhaseFrame)]
    return PatternSet.from_dict(replace(plain, frames=(*others, *waves, waves[0])).to_dict())


@pytest.mark.parametrize("count", [1, 6, 7, 8])
def test_a_gray_code_beside_as_many_periods_as_its_checks_accept(count: int) -> None:
    """Up to eight periods may stand beside a Gray code; what misfits they leave is judged whatever their number."""
    periods = (18.0, 19.25, 20.5, 21.75, 22.5, 23.25, 24.25, 25.25)[:count]
    patterns = _beside_gray_code(periods, steps=4)
    u, v, brightness, ambient = smooth_scene(CAMERA_SHAPE, PROJECTOR)
    photos = photographs(
        patterns, u, v, brightness=brightness, ambient=ambient, rng=np.random.default_rng(4), noise=NOISE, response=1.0
    )
    decoded = decode(photos, patterns)
    assert decoded.valid.mean() > 0.999
    for found, sigma, true in ((decoded.u_px, decoded.sigma_u_px, u), (decoded.v_px, decoded.sigma_v_px, v)):
        z = (found - true)[decoded.valid] / sigma[decoded.valid]
        assert 0.94 < z.std() < 1.06  # 19,000 pixels: the spread's own error is 0.005; the rest is the noise model


@pytest.mark.parametrize(("gamma", "steps"), [(2.2, 3), (1.7, 3), (2.2, 4)])
def test_one_period_owns_up_to_what_it_cannot_tell_of_the_cameras_curve(gamma: float, steps: int) -> None:
    """A plain power is no curve of the family that is fitted: with noise alone for a sigma, z was 1.57, 1.36, 1.02."""
    patterns = _beside_gray_code((18.0,), steps=steps)
    u, v, brightness, ambient = smooth_scene(CAMERA_SHAPE, PROJECTOR)
    photos = photographs(
        patterns, u, v, brightness=brightness, ambient=ambient, rng=np.random.default_rng(4), response=gamma
    )
    decoded = decode(photos, patterns)
    assert decoded.curve_waves == (frozenset({steps / 18.0}), frozenset({steps / 18.0}))
    along = (decoded.u_px - u)[decoded.valid]
    # a wave of three or four times a period has 1 / sqrt(2) of its amplitude rms: neighbours share it
    assert decoded.curve_sigma_px == pytest.approx({3: 0.02, 4: 0.005}[steps] * 18.0 / (2.0 * np.pi * np.sqrt(2.0)))
    assert np.std([np.mean(along[np.abs((u[decoded.valid] % 18.0) - at) < 0.5]) for at in range(1, 18)]) < (
        1.3 * decoded.curve_sigma_px
    )
    for found, sigma, true in ((decoded.u_px, decoded.sigma_u_px, u), (decoded.v_px, decoded.sigma_v_px, v)):
        z = ((found - true) / np.hypot(sigma, decoded.curve_sigma_px))[decoded.valid]
        assert 0.8 < np.sqrt(np.mean(z**2)) < 1.1


def test_waves_too_long_for_their_noise_are_told_as_such() -> None:
    """One wave over the whole picture: places to 1.4 px, which passed for light on several paths."""
    patterns = _beside_gray_code((1280.0,), steps=8)
    u, v, brightness, ambient = smooth_scene(CAMERA_SHAPE, PROJECTOR)
    photos = photographs(patterns, u, v, brightness=brightness, ambient=ambient, rng=np.random.default_rng(4))
    with pytest.raises(MeasurementError, match="waves along x are 1280 px long"):
        decode(photos, patterns)


@pytest.mark.parametrize("first", [1, 2])
def test_light_that_changes_among_three_levels_widens_sigmas_and_no_more(first: int) -> None:
    """What three levels cannot tell from the camera's response the stripes put right: a tenth of white more light."""
    u, v, brightness, ambient = smooth_scene(CAMERA_SHAPE, PROJECTOR)
    patterns = make_set("short", PROJECTOR, 2.2)
    photos = []
    for number, frame in enumerate(patterns.frames):
        one, room = replace(patterns, frames=(frame,)), ambient + (0.06 if number >= first else 0.0)
        photos += photographs(
            one, u, v, brightness=0.6 * brightness, ambient=room, rng=np.random.default_rng(number), blur_px=0.7
        )
    decoded = decode(photos, patterns)
    assert decoded.valid.mean() > 0.999
    for error, sigma in ((decoded.u_px - u, decoded.sigma_u_px), (decoded.v_px - v, decoded.sigma_v_px)):
        assert 0.9 < np.sqrt(np.mean((error / sigma)[decoded.valid] ** 2)) < 1.1
        assert np.median(sigma) < 0.04  # 0.027 in steady light
