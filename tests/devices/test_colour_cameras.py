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


@pytest.fixture(scope="module")
def scene():
    """The patterns, and (n, h, w) what each sends to every camera pixel, 0 .. 1."""
    patterns = make_set("fast", PROJECTOR, 1.0, blur_px=3.0)
    v, u = np.mgrid[: CAMERA[1], : CAMERA[0]].astype(np.float32)
    at_u = (u + 0.5) * 0.62 + 2 + 1.5 * np.sin(v / 40)
    at_v = (v + 0.5) * 0.6 + 3 + 1.5 * np.cos(u / 50)
    pictures = [patterns.picture(i).astype(np.float32) / 255 for i in range(len(patterns.frames))]
    blurred = [cv2.GaussianBlur(picture, (0, 0), 3.0) for picture in pictures]
    light = np.stack([cv2.remap(p, at_u, at_v, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE) for p in blurred])
    return patterns, 0.05 + 0.85 * np.clip(light, 0, 1)


def coded(light):
    """8 bits, with the usual noise, which is what makes rounding harmless."""
    noise = np.random.default_rng(4).normal(0, 0.4, light.shape)
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
