"""The noise that photographs of a scan tell."""

import numpy as np
import pytest

from rigwarp.decode.signal.noise import Scatter, estimate_noise

_FLOOR, _PER_LIGHT = 2e-7, 8e-5


def test_dark_codes_that_all_agree_are_no_surer_than_their_neighbours() -> None:
    # most of a display's scan is dark, where few codes occur: that those of one level happen to agree tells nothing
    random = np.random.default_rng(4)
    light = np.concatenate([random.uniform(0.0003, 0.003, 9000), random.uniform(0.01, 0.6, 3000)])
    square = (_FLOOR + _PER_LIGHT * light) * random.chisquare(1, light.size)
    level = np.full(600, 0.001)
    one = Scatter(
        light=np.concatenate([light, level]),
        square=np.concatenate([square, np.zeros(level.size)]),
        quantum_square=np.full(light.size + level.size, 1e-9),
    )
    # medians of a few hundred, in bins over which the noise itself grows
    assert estimate_noise([one]).per_light == pytest.approx(_PER_LIGHT, rel=0.2)
