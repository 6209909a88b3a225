"""The CPU renderer against the float64 reference, and both against closed forms and OpenCV."""

from dataclasses import replace

import bent_rig
import cv2
import numpy as np
import pytest

from rigwarp.errors import InputError
from rigwarp.live import CpuRenderer
from rigwarp.live.render.reference import ReferenceRenderer, cubic
from rigwarp.live.render.sampling import cubic_weights, fit_to_canvas
from rigwarp.live.render.warp import warp_of
from rigwarp.rig import decode_transfer

curved_prewarp, plain_prewarp, noisy = bent_rig.curved_prewarp, bent_rig.plain_prewarp, bent_rig.noisy


@pytest.mark.parametrize("transfer", [2.2, "srgb", 1.0])
@pytest.mark.parametrize("size", [(400, 300), (90, 67), (800, 600)])
def test_cpu_agrees_with_the_reference_within_one_code(transfer, size):
    prewarp = curved_prewarp(transfer)
    picture = noisy(*size)
    cpu, reference = CpuRenderer(prewarp).render(picture), ReferenceRenderer(prewarp).render(picture)
    difference = np.abs(cpu.astype(int) - reference)
    assert difference.max() <= 1
    assert np.mean(difference > 0) < 2e-3  # only values that round either way
    assert reference.max() > 90  # the frame is not simply black


def test_identity_gives_the_picture_back():
    """sRGB in, sRGB out, gain 1: every code value survives."""
    picture = noisy(64, 48)
    for renderer in (CpuRenderer(plain_prewarp()), ReferenceRenderer(plain_prewarp())):
        np.testing.assert_array_equal(renderer.render(picture), picture)


def test_gain_acts_on_linear_light():
    """Half of white's light at gamma 2.2 is code 255 * 0.5 ** (1 / 2.2) = 186.08."""
    white = np.full((48, 64, 3), 255, np.uint8)
    assert np.all(CpuRenderer(plain_prewarp(2.2, 0.5)).render(white) == 186)


def test_minified_checkerboard_becomes_grey_of_half_the_light():
    """A one-pixel checkerboard at half size holds no detail: light 1/2 everywhere inside."""
    prewarp = plain_prewarp(2.2)
    v, u = np.mgrid[:96, :128]
    board = np.repeat(((u + v) % 2 * 255).astype(np.uint8)[..., None], 3, axis=2)
    inside = CpuRenderer(prewarp).render(board)[2:-2, 2:-2]
    assert np.all(inside == 186)


def test_outside_oracle_remap_on_linear_light():
    """Where a pixel has one tap: cv2.remap (OpenCV 5) of the linear picture through the same positions.

    In float32: for float64 pictures OpenCV 5.0 still rounds positions to 1/32 pixel (6 codes off here).
    """
    prewarp = curved_prewarp(1.0, pixels=(120, 90), light=False)
    warp = warp_of(prewarp, sampling="quick")  # without the cubic
    samples = warp.samples((120, 90))
    single = (samples.taps == 1).all(axis=-1) & (samples.gain_root > 0)
    assert single.sum() > 5000
    picture = noisy(120, 90)
    code = picture / 255.0
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4).astype(np.float32)
    warped = cv2.remap(linear, samples.position_px, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    expected = np.round(255 * warped * samples.gain[..., None])
    assert np.abs(ReferenceRenderer(warp).render(picture) - expected)[single].max() <= 1


def test_the_cubic_is_catmull_roms():
    """Weights: 1 in all; at a pixel only that pixel; a parabola is reproduced exactly (closed form of the spline)."""
    share = np.linspace(0.0, 1.0, 9)
    weights = np.array(cubic_weights(share))
    np.testing.assert_allclose(weights.sum(axis=0), 1.0, atol=1e-12)
    np.testing.assert_allclose(weights[:, 0], [0, 1, 0, 0], atol=1e-12)
    v, u = np.mgrid[:20, :30].astype(float)
    parabola = np.repeat((0.2 + 0.01 * u + 0.002 * v + 0.0004 * u * u)[..., None], 3, axis=2)
    spots = np.random.default_rng(2).uniform(3, 15, (50, 2)).astype(np.float32)
    x, y = spots.astype(float).T
    np.testing.assert_allclose(cubic(parabola, spots)[:, 0], 0.2 + 0.01 * x + 0.002 * y + 0.0004 * x * x, atol=1e-12)


def test_magnified_content_is_sharper_than_bilinear():
    """A picture at a third of the projector's resolution: the steepest slope of an edge, in codes per pixel."""
    edge = np.zeros((60, 80, 3), np.uint8)
    edge[:, 40:] = 180
    prewarp = plain_prewarp("srgb", size=(240, 180))
    steepest = {}
    for sampling in ("fine", "quick"):
        frame = CpuRenderer(warp_of(prewarp, sampling=sampling)).render(edge).astype(float)
        steepest[sampling] = np.diff(decode_transfer(frame[90, :, 0] / 255, "srgb")).max()
    assert steepest["fine"] > 1.2 * steepest["quick"]  # 1.375 for Catmull-Rom in the middle of an edge, sampled


def test_another_aspect_is_letterboxed():
    scale, offset_px = fit_to_canvas((200, 100), (64, 48))
    assert scale == pytest.approx(0.32)
    np.testing.assert_allclose(offset_px, [0.0, 8.0])
    frame = CpuRenderer(plain_prewarp()).render(np.full((100, 200, 3), 255, np.uint8))
    assert np.all(frame[:7] == 0)
    assert np.all(frame[-7:] == 0)
    assert np.all(frame[9:-9, 1:-1] == 255)


def test_dithering_keeps_the_mean_that_rounding_loses():
    """A flat light between two codes: 64 thresholds give the fraction within 1/64, rounding gives one code."""
    prewarp = plain_prewarp(1.0, 0.5)
    grey = np.full((48, 64, 3), 137, np.uint8)
    exact = 255 * ((137 / 255 + 0.055) / 1.055) ** 2.4 * (round(0.5**0.5 * 1023) / 1023) ** 2
    for renderer in (CpuRenderer(prewarp, dither=True), ReferenceRenderer(prewarp, dither=True)):
        frame = renderer.render(grey)
        assert set(np.unique(frame)) == {int(exact), int(exact) + 1}
        assert frame.mean() == pytest.approx(exact, abs=1 / 64)


def test_the_gain_is_kept_to_a_fifth_of_a_code():
    """Relative steps of 2/1023 at full gain, 2/605 at 0.35: below 0.2 codes of 255 at gamma 2.2 after rounding."""
    gain = np.linspace(0.35, 1.0, 64 * 48).reshape(48, 64).astype(np.float32)
    prewarp = replace(plain_prewarp(2.2), gain=gain)
    kept = warp_of(prewarp).samples((64, 48)).gain
    assert 255 * np.abs(kept ** (1 / 2.2) - gain ** (1 / 2.2)).max() < 0.2


def test_wrong_pictures_are_refused():
    renderer = CpuRenderer(plain_prewarp())
    for wrong in (np.zeros((4, 4), np.uint8), np.zeros((4, 4, 3), np.float32), np.zeros((4, 4, 4), np.uint8)):
        with pytest.raises(InputError, match="8-bit RGB"):
            renderer.render(wrong)
