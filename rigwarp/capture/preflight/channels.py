"""Which colour of a camera's photographs carries the projector's light best."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.capture.preflight.findings import PreflightFinding, about_channels
from rigwarp.devices import Bench, ColourCamera
from rigwarp.devices.video_camera import as_grey
from rigwarp.rig import CHANNELS, Channel

_WHITE, _BETWEEN, _BLACK = 255, 128, 0  # no two neighbours make a full flash
_BURNT = 0.001
_BRIGHTEST = 0.98
"""Share of pixels below: a camera that cuts off black has one value wherever no light falls, often on most of them."""


def judge_channels(bench: Bench, used: Channel) -> PreflightFinding | None:
    """Photograph white and black in colour and compare the channels; None for a camera in black and white."""
    camera = bench.camera
    if not isinstance(camera, ColourCamera) or camera.look_colour().ndim == 2:
        return None
    white = _seen(bench, camera, _WHITE, 2)
    _seen(bench, camera, _BETWEEN, 0)
    (black,) = _seen(bench, camera, _BLACK, 1)
    return about_channels({channel: _contrast_to_noise(white, black, channel) for channel in CHANNELS}, used)


def _seen(bench: Bench, camera: ColourCamera, code: int, count: int) -> list[NDArray[Any]]:
    width, height = bench.display.resolution
    bench.display.show(np.full((height, width), code, np.uint8))
    camera.grab()  # from now on photographs are of this
    return [camera.look_colour() for _ in range(count)]


def _contrast_to_noise(white: list[NDArray[Any]], black: NDArray[Any], channel: Channel) -> float:
    """Of the brighter half of the picture, or what is half as bright as the brightest; 0 where burnt out."""
    one, other, dark = (as_grey(photo, channel=channel) for photo in (*white, black))
    change = one.astype(np.float32) - dark
    half, brightest = np.quantile(change, [0.5, _BRIGHTEST])
    lit = change >= max(half, brightest / 2)
    if np.mean(one[lit] == np.iinfo(one.dtype).max) > _BURNT:
        return 0.0
    low, high = np.quantile((one.astype(np.float32) - other)[lit], [0.16, 0.84])
    noise = max(float(high - low) / 2.0 / 2.0**0.5, 0.3)  # rounding alone has 0.3
    return float(np.median(change[lit]) / noise)
