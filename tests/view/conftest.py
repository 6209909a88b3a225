"""Two flat wings in closed form, and their top views, made once."""

import pytest
from two_wings import TwoWings, top

from rigwarp.view.top import build_top


@pytest.fixture(scope="session")
def rising():
    """Wings that rise outwards: a strip between them that neither sees."""
    return TwoWings(size=(480, 270), focal_px=250.0)


@pytest.fixture(scope="session")
def falling():
    """Wings that fall outwards and look past each other: both see the middle."""
    return TwoWings(rise_deg=-15.0, size=(480, 270), focal_px=250.0, reach_mm=220.0)


@pytest.fixture(scope="session")
def rising_top(rising):
    return build_top(rising.view_map(), top(size_mm=(1200, 600)))


@pytest.fixture(scope="session")
def falling_top(falling):
    return build_top(falling.view_map(), top(size_mm=(1200, 600)))
