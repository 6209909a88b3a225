"""Colour keeps positions: mosaics, 4:2:2 and 4:2:0 decode to the places that a black-and-white camera gives.

The light is smooth and tinted, as a projector's and a lamp's are; each camera gets the same stripes.
"""

import cv2
import numpy as np
import pytest
from dng import dng

from rigwarp.decode import decode
from rigwarp.devices.video_camera import as_grey
from rigwarp.files.raw_photo import read_raw_photo
from rigwarp.patterns import make_set

PROJECTOR, CAMERA = (160, 96), (240, 144)
TINT = np.array([0.62, 0.9, 0.75])  # blue, green, red: a warm lamp, filters that differ
_BLOCK = 8
_FINE = 4


def seen_at(u, v):
    """The projector pixels that camera pixels see."""
    return (u + 0.5) * 0.62 + 2 + 1.5 * np.sin(v / 40), (v + 0.5) * 0.6 + 3 + 1.5 * np.cos(u / 50)


def light_of(patterns, u, v):
    """(n, h, w) what each pattern sends to every place of the camera's picture, 0 .. 1."""
    at_u, at_v = seen_at(u, v)
    pictures = [patterns.picture(i).astype(np.float32) / 255 for i in range(len(patterns.frames))]
    blurred = [cv2.GaussianBlur(picture, (0, 0), 3.0) for picture in pictures]
    return np.stack([cv2.remap(p, at_u, at_v, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE) for p in blurred])


@pytest.fixture(scope="module")
def scene():
    """The patterns, and (n, h, w) what each sends to every camera pixel, 0 .. 1."""
    patterns = make_set("fast", PROJECTOR, 1.0, blur_px=3.0)
    v, u = np.mgrid[: CAMERA[1], : CAMERA[0]].astype(np.float32)
    return patterns, 0.05 + 0.85 * np.clip(light_of(patterns, u, v), 0, 1)


@pytest.fixture(scope="module")
def disk(scene):
    """The same on a disk alone, by a lens that spreads light by half a pixel, and each pixel over its square."""
    patterns, _ = scene
    v, u = (np.mgrid[: _FINE * CAMERA[1], : _FINE * CAMERA[0]].astype(np.float32) + 0.5) / _FINE - 0.5
    lit = np.hypot((u - 120) / 95, (v - 70) / 60) < 1
    spread = [cv2.GaussianBlur(lit * light, (0, 0), 0.5 * _FINE) for light in light_of(patterns, u, v)]
    light = np.stack([cv2.resize(one, CAMERA, interpolation=cv2.INTER_AREA) for one in spread])
    return 0.05 + 0.85 * np.clip(light, 0, 1)


def coded(light, noise=0.4):
    """8 bits, with the usual noise, which is what makes rounding harmless."""
    noise = np.random.default_rng(4).normal(0, noise, light.shape)
    return np.clip(np.rint(255 * light + noise), 0, 255).astype(np.uint8)


def tinted(light):
    return coded(light[..., None] * TINT)


def mosaic(light):
    """RGGB: red and green in the first row."""
    filters = np.array([[TINT[2], TINT[1]], [TINT[1], TINT[0]]])
    return coded(light * np.tile(filters, (CAMERA[1] // 2, CAMERA[0] // 2)))


def demosaicked(light, _):
    return as_grey(cv2.cvtColor(mosaic(light), cv2.COLOR_BayerBG2BGR))  # OpenCV names RGGB by its second row


def raw(light, path):
    path.write_bytes(dng(mosaic(light).astype(int) * 16, bits=16, black=0, white=4080))
    return read_raw_photo(path)


def yuyv(light, _):
    packed = cv2.cvtColor(tinted(light), cv2.COLOR_BGR2YUV_YUY2)
    return as_grey(cv2.cvtColor(packed, cv2.COLOR_YUV2BGR_YUY2))


def mjpeg(light, _):
    sampling = [cv2.IMWRITE_JPEG_QUALITY, 95, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420]
    return as_grey(cv2.imdecode(cv2.imencode(".jpg", tinted(light), sampling)[1], cv2.IMREAD_COLOR))


@pytest.fixture(scope="module")
def mono(scene):
    patterns, light = scene
    return decode([coded(one * float(TINT.max())) for one in light], patterns)


@pytest.mark.parametrize("camera", [demosaicked, raw, yuyv, mjpeg])
def test_positions_are_those_of_a_camera_without_colour(scene, mono, camera, tmp_path):
    patterns, light = scene
    found = decode([camera(one, tmp_path / "photo.dng") for one in light], patterns)
    inner = np.zeros(found.valid.shape, bool)
    inner[8:-8, 8:-8] = True  # demosaicking has no neighbours at the rim
    both = found.valid & mono.valid & inner
    assert both.sum() > 0.97 * inner.sum()
    for apart_px in (found.u_px - mono.u_px, found.v_px - mono.v_px):
        assert abs(np.mean(apart_px[both])) < 0.003  # everywhere
        # locally: means over 8 x 8 pixels, among which single pixels' noise averages out
        apart_px = np.where(both, apart_px, np.nan)
        blocks = apart_px[: 17 * _BLOCK, : 29 * _BLOCK].reshape(17, _BLOCK, 29, _BLOCK)[1:, :, 1:]
        assert np.sqrt(np.nanmean(np.nanmean(blocks, axis=(1, 3)) ** 2)) < 0.01


@pytest.mark.parametrize(
    ("camera", "most"),  # JPEG's errors reach over blocks of eight pixels: four pixels inside it is 1.6, too
    [(lambda light, _: coded(light), 1.35), (demosaicked, 1.35), (raw, 1.35), (yuyv, 1.35), (mjpeg, 2.0)],
)
def test_where_light_ends_the_sigma_says_how_far_positions_are_off(scene, disk, camera, most, tmp_path):
    """Half a pixel at the outermost, more behind a mosaic, whose colours are spread further; in sigmas as anywhere."""
    patterns, _ = scene
    random = np.random.default_rng(5)
    noisy = [light + random.normal(0, 0.8 / 255, light.shape) for light in disk]
    found = decode([camera(one, tmp_path / "photo.dng") for one in noisy], patterns)
    v, u = np.mgrid[: CAMERA[1], : CAMERA[0]]
    true_u, true_v = seen_at(u, v)
    off_px = np.hypot(found.u_px - true_u, found.v_px - true_v)
    in_sigmas = np.hypot((found.u_px - true_u) / found.sigma_u_px, (found.v_px - true_v) / found.sigma_v_px) / 2**0.5
    lit = (np.ptp(disk, axis=0) > 0.04).view(np.uint8)
    inward = np.where(found.valid, np.ceil(cv2.distanceTransform(lit, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)), 0)
    assert np.median(off_px[inward == 1]) > 8 * np.median(off_px[inward == 8])
    for ring in (1, 2, 3):
        assert 0.5 < np.sqrt(np.mean(in_sigmas[inward == ring] ** 2)) < most
