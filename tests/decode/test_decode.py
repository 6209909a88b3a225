"""Decoding: right positions, true uncertainty, and reasons where there is no answer."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from synthetic_scan import photographs, smooth_scene

from rigwarp.decode import Decoded, Decoder, Reason, blur_from_stripes, decode, estimate_response
from rigwarp.decode.pixels import camera_response
from rigwarp.decode.pixels.layout import axis_layout
from rigwarp.decode.signal.position import refine, rough_position
from rigwarp.decode.signal.signal_model import learn_signal_model, middle_variance, solve_plainly
from rigwarp.errors import InputError, MeasurementError
from rigwarp.patterns import choose_periods_px, fast_set, make_set
from rigwarp.rig import encode_transfer

SHAPE, RESOLUTION = (300, 420), (854, 480)
PATTERNS = fast_set(RESOLUTION, 2.2)


def scanned(seed: int = 1, **changes: object) -> tuple[Decoded, np.ndarray, np.ndarray]:
    u, v, brightness, ambient = smooth_scene(SHAPE, RESOLUTION)
    settings = {"brightness": brightness, "ambient": ambient, "rng": np.random.default_rng(seed)} | changes
    return decode(photographs(PATTERNS, u, v, **settings), PATTERNS), u, v


def test_positions_and_their_uncertainty_are_true() -> None:
    decoded, u, v = scanned()
    assert decoded.valid.mean() > 0.999
    for found, sigma, true in ((decoded.u_px, decoded.sigma_u_px, u), (decoded.v_px, decoded.sigma_v_px, v)):
        z = (found - true)[decoded.valid] / sigma[decoded.valid]
        assert abs(z.mean()) < 0.05
        # 126,000 samples: the spread's own error is 0.002; the rest is the response and noise model
        assert 0.95 < z.std() < 1.05


def test_uncertainty_is_near_the_cramer_rao_bound() -> None:
    """sigma_phi >= sqrt(2/N) sigma/B per sinusoid (Applied Optics 37, 7253, 1998), four sinusoids together."""
    flat = np.full(SHAPE, 0.5)
    variance = 4e-4**2 * 100
    decoded, _, _ = scanned(brightness=flat, ambient=np.full(SHAPE, 0.05), noise=(variance, 0.0), response=1.0)
    amplitude = 0.5 * 0.48
    quantum = (1 / 255) ** 2 / 12
    periods = np.array(choose_periods_px(RESOLUTION[0]))
    one = periods / (2 * np.pi) * np.sqrt(2 / 3 * (variance + quantum)) / amplitude
    bound = 1 / np.sqrt(np.sum(1 / one**2))
    assert np.nanmedian(decoded.sigma_u_px) == pytest.approx(bound, rel=0.03)


@pytest.mark.parametrize("blur_px", [0.0, 1.0, 2.5])
def test_blur_costs_precision_only(blur_px: float) -> None:
    decoded, u, _ = scanned(blur_px=blur_px)
    error = (decoded.u_px - u)[decoded.valid]
    assert decoded.valid.mean() > 0.999
    assert abs(error.mean()) < 0.003  # px; a bias would not average out on the table
    assert np.abs(error).max() < 1.0


def test_a_projector_of_another_gamma_is_corrected() -> None:
    """The patterns are encoded for 2.2 and shown by a projector of 2.5: without correction 0.1 to 0.2 px rms."""
    u, v, brightness, ambient = smooth_scene(SHAPE, RESOLUTION)
    rng = np.random.default_rng(2)
    photos = []
    for index in range(len(PATTERNS.frames)):
        shown = (PATTERNS.picture(index) / 255.0) ** 2.5
        row = np.clip(v, 0, RESOLUTION[1] - 1)
        column = np.clip(u, 0, RESOLUTION[0] - 1)
        r0, c0 = row.astype(int), column.astype(int)
        r1, c1 = np.minimum(r0 + 1, RESOLUTION[1] - 1), np.minimum(c0 + 1, RESOLUTION[0] - 1)
        fr, fc = row - r0, column - c0
        light = (1 - fr) * ((1 - fc) * shown[r0, c0] + fc * shown[r0, c1]) + fr * (
            (1 - fc) * shown[r1, c0] + fc * shown[r1, c1]
        )
        exposed = ambient + brightness * light
        exposed = exposed + rng.normal(size=SHAPE) * np.sqrt(1e-6 + 4e-5 * exposed)
        photos.append(np.rint(255 * encode_transfer(exposed, "srgb")).astype(np.uint8))
    decoded = decode(photos, PATTERNS)
    error = (decoded.u_px - u)[decoded.valid]
    assert decoded.valid.mean() > 0.99
    assert np.std(error) < 1.15 * np.nanmedian(decoded.sigma_u_px)


def test_the_response_curve_is_found() -> None:
    u, v, brightness, ambient = smooth_scene(SHAPE, RESOLUTION)
    for response, shape in (("srgb", 2.4), (1.0, 1.0)):
        photos = photographs(
            PATTERNS,
            u,
            v,
            brightness=brightness,
            ambient=ambient + 0.05,
            rng=np.random.default_rng(3),
            response=response,
        )
        levels = {code: photos[i] for code, i in PATTERNS.level_indices().items()}
        found = estimate_response(levels, np.ones(SHAPE, bool), 255)
        assert found.shape == pytest.approx(shape, abs=0.2)
        codes = np.array([48, 128, 208]) / 255
        assert found.projector_light(codes) == pytest.approx(codes**2.2, abs=0.004)  # IEC-like power curve, exact input


def test_a_shadow_on_two_grey_levels_bends_no_response() -> None:
    """It looked like a camera of a shape far from 2.4 (IEC 61966-2-1), and surely."""
    u, v, brightness, ambient = smooth_scene(SHAPE, RESOLUTION)
    levels, column = PATTERNS.level_indices(), np.arange(SHAPE[1])
    sides = np.linspace(1.0, 0.5, SHAPE[1])
    shadow = np.where((column >= 60) & (column < 100), 1.0 - 0.4 * sides, 1.0)
    photos = []
    for number, one in enumerate(PATTERNS.frames):
        frame = replace(PATTERNS, frames=(one,))
        lit = brightness * sides * (shadow if number in (2, 3) else 1.0)
        rng = np.random.default_rng(number)
        photos += photographs(frame, u, v, brightness=lit, ambient=ambient + 0.05, rng=rng, response="srgb")
    found = estimate_response({code: photos[n] for code, n in levels.items()}, np.ones(SHAPE, bool), 255)
    assert abs(found.shape - 2.4) < 2.0 * found.shape_sigma < 0.6
    decoded = decode(photos, PATTERNS)
    assert decoded.response.shape == pytest.approx(2.4, abs=0.15)
    error = (decoded.u_px - u)[decoded.valid]
    assert np.std(error) < 1.15 * np.nanmedian(decoded.sigma_u_px)


@pytest.mark.parametrize("noise", [0.3, 3.0])  # code values
def test_an_even_scene_tells_no_response(noise: float) -> None:
    """All patches are alike but for noise, which looked like a camera of shape 1.0 ± 0.5 (an sRGB one has 2.4)."""
    rng = np.random.default_rng(1)
    levels = {}
    for code in (0, 48, 88, 128, 168, 208, 232, 255):
        seen = 255.0 * encode_transfer(np.array(0.7 * (code / 255.0) ** 2.2 + 0.05), "srgb")
        levels[code] = np.rint(seen + rng.normal(0.0, noise, (480, 640))).astype(np.uint8)
    found = estimate_response(levels, np.ones((480, 640), bool), 255)
    assert found.shape == pytest.approx(2.4, abs=0.1)  # what is usual, and no surer than that
    assert found.shape_sigma > 0.5
    low, high = PATTERNS.light_range
    across = 0.5 + 0.5 * np.exp(-2.0 * (np.pi * 1.5 / 18.0) ** 2) * np.cos(2.0 * np.pi * np.arange(640) / 18.0)
    stripes = [
        255.0 * encode_transfer(0.7 * (low + (high - low) * light) + 0.05, "srgb") + rng.normal(0.0, noise, (480, 640))
        for light in (across, 1.0 - across)
    ]
    photos = tuple(np.rint(one).astype(np.uint8) for one in stripes)
    # 2.1 px with a shape of 1.0
    assert blur_from_stripes(levels, (photos[0], photos[1]), 18.0, high - low) == pytest.approx(1.5, abs=0.15)


@pytest.mark.parametrize(("name", "response"), [("fast", "srgb"), ("fast", 1.0), ("gray", 1.0)])
def test_a_camera_square_on_decodes_pixel_by_pixel(name: str, response: float | str) -> None:
    """A row is one phase of the stripes along it, and rows at equal distances may be few phases: three, for 18 px, if
    every 24th was looked at, as of so many pixels (or every 102nd, of 1280 x 720)."""
    patterns = make_set(name, (1280, 720), 2.2)
    v, u = np.mgrid[:720, 488:792].astype(float)
    even = np.full(u.shape, 0.7)
    photos = photographs(
        patterns, u, v, brightness=even, ambient=0.07 * even, rng=np.random.default_rng(1), response=response
    )
    decoded = decode(photos, patterns)
    assert decoded.valid.mean() > 0.99
    for found, sigma, true in ((decoded.u_px, decoded.sigma_u_px, u), (decoded.v_px, decoded.sigma_v_px, v)):
        z = ((found - true) / sigma)[decoded.valid]
        assert 0.95 < np.sqrt(np.mean(z**2)) < 1.1


def test_the_glow_beside_a_display_tells_nothing_of_the_noise() -> None:
    """Most of what a dark room's display lights is the table beside it, without stripes: its codes hardly scatter."""
    u, v, brightness, _ = smooth_scene(SHAPE, RESOLUTION)
    lit = np.zeros(SHAPE, bool)
    lit[90:210, 120:300] = True
    photos = photographs(
        PATTERNS,
        u,
        v,
        brightness=np.where(lit, brightness, 0.003),
        ambient=np.full(SHAPE, 3e-4),
        blur_px=np.where(lit, 0.5, 100.0),
        noise=(1e-8, 7e-5),
        rng=np.random.default_rng(1),
    )
    decoded = decode(photos, PATTERNS)
    assert decoded.valid[lit].mean() > 0.98
    inside = decoded.valid & lit
    for found, sigma, true in ((decoded.u_px, decoded.sigma_u_px, u), (decoded.v_px, decoded.sigma_v_px, v)):
        assert 0.9 < np.std(((found - true) / sigma)[inside]) < 1.1


def test_edges_within_patches_do_not_bend_the_response() -> None:
    """A lit area of a few patches, as a tablet is over a mirror: most patches hold an edge."""
    rng, area = np.random.default_rng(1), np.zeros((160, 128))
    area[30:130, 26:102] = 1.0
    light = cv2.GaussianBlur(area, (0, 0), 1.0) * np.linspace(0.3, 1.0, 128)
    levels = {}
    for code in (0, 48, 88, 128, 168, 208, 232, 255):
        seen = 255.0 * encode_transfer(0.8 * light * (code / 255.0) ** 2.2 + 0.012, "srgb")
        levels[code] = np.clip(np.rint(seen + rng.normal(0.0, 1.0, light.shape)), 0, 255).astype(np.uint8)
    found = estimate_response(levels, levels[255].astype(int) - levels[0] > 4, 255)
    assert found.shape == pytest.approx(2.4, abs=0.1)
    assert found.level_light == pytest.approx(found.level_codes**2.2, abs=0.01)


def test_two_light_paths_are_noticed() -> None:
    """A second path of 20 % leaves each sinusoid perfect; only the disagreement of the periods gives it away."""
    u, v, _, _ = smooth_scene(SHAPE, RESOLUTION)
    share = np.zeros(SHAPE)
    share[100:200, 100:300] = 0.2
    other = ((u + 137.0) % RESOLUTION[0], (v + 91.0) % RESOLUTION[1], share)
    decoded, u, _ = scanned(second_path=other, brightness=np.full(SHAPE, 0.5))
    mixed = share > 0
    assert (decoded.reason[mixed] != Reason.OK).mean() > 0.95
    assert decoded.valid[~mixed].mean() > 0.99


def test_dark_and_saturated_pixels_say_so() -> None:
    _, _, brightness, ambient = smooth_scene(SHAPE, RESOLUTION)
    brightness = brightness.copy()
    brightness[:50] = 0.001
    brightness[-50:] = 1.3
    decoded, _, _ = scanned(brightness=brightness, ambient=ambient)
    assert (decoded.reason[:50] == Reason.TOO_DARK).mean() > 0.99  # noise lifts a few over the threshold
    assert not decoded.valid[:50].any()
    assert (decoded.reason[-50:] == Reason.SATURATED).mean() > 0.99
    assert np.isnan(decoded.u_px[:50]).all()
    assert decoded.valid[60:240].mean() > 0.999


def test_a_single_wrong_pixel_is_a_stray() -> None:
    u, v, brightness, ambient = smooth_scene(SHAPE, RESOLUTION)
    u = u.copy()
    u[150, 200] += 200.0
    photos = photographs(PATTERNS, u, v, brightness=brightness, ambient=ambient, rng=np.random.default_rng(1))
    assert decode(photos, PATTERNS).reason[150, 200] == Reason.STRAY


def test_unwrapping_is_exact_without_noise() -> None:
    for extent in (480, 3840):
        periods = choose_periods_px(extent)
        position = np.linspace(-0.5, extent - 0.5, 20_011)
        turns = position / np.array(periods)[:, None] % 1.0
        found = refine(rough_position(turns, periods, extent), turns, periods)
        assert np.abs(found - position).max() < 1e-9


def test_wrong_numbers_and_sizes_of_photographs_are_refused() -> None:
    u, v, brightness, ambient = smooth_scene(SHAPE, RESOLUTION)
    photos = photographs(PATTERNS, u, v, brightness=brightness, ambient=ambient, rng=np.random.default_rng(1))
    with pytest.raises(InputError, match="33 photographs for 34"):
        decode(photos[:-1], PATTERNS)
    with pytest.raises(InputError, match="0005"):
        decode([*photos[:5], photos[5][:-1], *photos[6:]], PATTERNS)


def test_a_black_scan_is_refused() -> None:
    black = [np.full(SHAPE, 7, np.uint8)] * len(PATTERNS.frames)
    with pytest.raises(MeasurementError, match="projector is on"):
        decode(black, PATTERNS)


def test_16_bit_photographs_decode_like_8_bit_ones() -> None:
    u, v, brightness, ambient = smooth_scene(SHAPE, RESOLUTION)
    eight = photographs(
        PATTERNS, u, v, brightness=brightness, ambient=ambient, rng=np.random.default_rng(1), response=1.0
    )
    decoded = decode([photo.astype(np.uint16) * 257 for photo in eight], PATTERNS)
    error = (decoded.u_px - u)[decoded.valid]
    assert decoded.valid.mean() > 0.99
    assert np.std(error) < 0.06  # px, what these photographs give in 8 bits


def test_the_quick_way_agrees_with_the_plain_formulas() -> None:
    """float32 passes over blocks against float64 textbook formulas, pixel by pixel, with and without a gamma error."""
    u, v, brightness, ambient = smooth_scene(SHAPE, RESOLUTION)
    for shown in (2.2, 2.5):
        photos = photographs(
            replace(PATTERNS, transfer=shown), u, v, brightness=brightness, ambient=ambient,
            rng=np.random.default_rng(4), blur_px=1.0,
        )  # fmt: skip
        decoded = decode(photos, PATTERNS)
        layouts = (axis_layout(PATTERNS, "x"), axis_layout(PATTERNS, "y"))
        levels = PATTERNS.level_indices()
        ends = (levels[0], levels[255])
        stack = np.stack([photo[decoded.valid] for photo in photos])
        response = decoded.response
        chain = learn_signal_model(stack[:, ::7], layouts, response, ends)
        variance = middle_variance(stack, ends, chain)
        for axis, learnt, found, sigma in zip(
            layouts, chain.axes, (decoded.u_px, decoded.v_px), (decoded.sigma_u_px, decoded.sigma_v_px), strict=True
        ):
            # both learn the same from different samples, but for the harmonic error: use what was used
            used = replace(learnt, error=decoded.harmonics["x" if axis is layouts[0] else "y"])
            plain = solve_plainly(stack, axis, used, chain, variance)
            assert np.abs(plain.position_px - found[decoded.valid]).max() < 1e-3  # px
            ratio = plain.sigma_px / sigma[decoded.valid]
            assert abs(np.median(ratio) - 1) < 0.1  # two samples' noise estimates
            assert np.std(ratio / np.median(ratio)) < 0.1


def test_stripes_tell_the_response_when_they_have_come(monkeypatch: pytest.MonkeyPatch) -> None:
    """Grey frames are looked at while stripes are still being photographed; what only stripes tell waits for them."""
    monkeypatch.setattr(camera_response, "UNSURE_SHAPE", 0.0)
    u, v, brightness, ambient = smooth_scene(SHAPE, RESOLUTION)
    photos = photographs(PATTERNS, u, v, brightness=brightness, ambient=ambient, rng=np.random.default_rng(1))
    decoder = Decoder(PATTERNS)
    for photo in photos:
        decoder.add(photo)
        for part in decoder._parts.values():
            if part._early is not None:
                part._early.result()
    assert np.array_equal(decoder.finish().u_px, decode(photos, PATTERNS).u_px, equal_nan=True)
