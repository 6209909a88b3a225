"""Small prewarps for the live tests: a bent map, and one that changes nothing."""

import functools

import numpy as np

from rigwarp.geometry import PixelMap
from rigwarp.prewarp import Prewarp, build_prewarp
from rigwarp.rig import Content

WIDTH, HEIGHT = 320, 180


def bent_map() -> PixelMap:
    """A map whose pixels are some tenths of a millimetre apart in one place and two millimetres in another."""
    v, u = np.mgrid[:HEIGHT, :WIDTH].astype(float)
    x = (u - 160) * 0.6 + 0.004 * (u - 160) * np.abs(u - 160) + 8 * np.sin(v / 30)
    y = (90 - v) * 0.8 + 6 * np.cos(u / 40)
    return PixelMap(
        x_mm=x,
        y_mm=y,
        sigma_mm=np.full(x.shape, 0.01),
        zone=np.zeros(x.shape, np.int16),
        measured=np.ones(x.shape, bool),
    )


@functools.cache
def curved_prewarp(transfer=2.2, *, pixels=(400, 300), light=True) -> Prewarp:
    """Of the bent map, with zoom from about 0.6 to 2.4 content pixels per projector pixel; made once, so left alone."""
    content = Content(
        shape="circle", size_mm=(140.0, 140.0), centre_mm=np.array([4.0, -3.0]), rotation_rad=0.3, pixels=pixels
    )
    falling = np.broadcast_to(1.5 - np.arange(WIDTH) / 400, (HEIGHT, WIDTH))
    return build_prewarp(bent_map(), content, transfer, light=falling if light else None)


def plain_prewarp(transfer="srgb", gain=1.0, size=(64, 48)) -> Prewarp:
    """Content pixel = projector pixel."""
    width, height = size
    corners = np.array([[-1.0, -1.0], [width, -1.0], [width, height], [-1.0, height]])
    return Prewarp(
        projector_resolution=size,
        content_pixels=size,
        vertices_px=corners,
        content_px=corners,
        triangles=np.array([[0, 1, 2], [0, 2, 3]], np.int32),
        triangle_zone=np.zeros(2, np.int16),
        zone=np.zeros((height, width), np.int16),
        gain=np.full((height, width), gain, np.float32),
        transfer=transfer,
        mesh_error_px=0.0,
    )


def noisy(width, height, seed=3):
    """Hard content: random bytes with many zeros, where a gamma curve is steepest."""
    rng = np.random.default_rng(seed)
    picture = rng.integers(0, 256, (height, width, 3), dtype=np.uint8)
    picture[rng.random(picture.shape) < 0.4] = 0
    return picture


def smooth(width, height):
    """Ramps and waves, some code values from pixel to pixel."""
    v, u = np.mgrid[:height, :width]
    waves = 128 + 100 * np.sin(u / width * 9) * np.cos(v / height * 7)
    return np.stack([u * 255 // width, v * 255 // height, waves], axis=-1).astype(np.uint8)
