"""A camera's response that grey frames leave open: an sRGB camera (IEC 61966-2-1) before stripes of known places."""

import numpy as np
import pytest

from rigwarp.decode import Response
from rigwarp.decode.pixels.layout import AxisLayout, axis_layout
from rigwarp.decode.signal.signal_model import UNSURE_SHAPE, shape_by_stripes
from rigwarp.patterns import PhaseFrame, make_set

SETS = {name: make_set(name, (512, 320), 2.2) for name in ("fast", "fine", "gray")}


def axes(name: str) -> tuple[AxisLayout, AxisLayout]:
    return axis_layout(SETS[name], "x"), axis_layout(SETS[name], "y")


def photographs(contrast: float, name: str = "fast") -> np.ndarray:
    """(F, N) codes of 8 bits of pixels all over the picture, with 0.5 % of noise; blur leaves `contrast`."""
    random = np.random.default_rng(2)
    place = {"x": random.uniform(5.0, 500.0, 3000), "y": random.uniform(5.0, 310.0, 3000)}
    white = random.uniform(0.4, 0.7, 3000)
    rows = []
    for frame in SETS[name].frames:
        share = np.full(3000, 0.5)
        if isinstance(frame, PhaseFrame):
            turns = place[frame.axis] / frame.period_px - frame.step / frame.steps
            share = 0.5 + 0.48 * contrast * np.cos(2.0 * np.pi * turns)
        light = white * (share + 0.005 * random.normal(size=3000))
        rows.append(np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0.0) ** (1 / 2.4) - 0.055))
    return np.clip(np.rint(255.0 * np.array(rows)), 0, 255).astype(np.uint8)


def found(shape: float, sigma: float) -> Response:
    levels = np.linspace(0.0, 1.0, 5)
    return Response(shape=shape, shape_sigma=sigma, full_scale=255, level_codes=levels, level_light=levels)


@pytest.mark.parametrize("name", SETS)
@pytest.mark.parametrize("shape", [1.92, 2.8])
def test_stripes_tell_a_shape_that_grey_frames_had_wrong(shape: float, name: str) -> None:
    told, sigma = shape_by_stripes(found(shape, 0.26), photographs(0.6, name), axes(name))
    assert sigma < UNSURE_SHAPE
    assert abs(told - 2.4) < 0.3 * abs(shape - 2.4)


@pytest.mark.parametrize("name", ["fast", "fine"])
def test_stripes_without_contrast_tell_nothing(name: str) -> None:
    assert shape_by_stripes(found(1.92, 0.26), photographs(0.0, name), axes(name)) == (1.92, 0.26)
