"""One virtual view, fitted once for all; and two flat wings in closed form with their top views."""

from dataclasses import replace

import numpy as np
import pytest
from two_wings import TwoWings, top
from virtual_views import Sorting, sorting_view

from rigwarp.view import ViewFit, fit_view
from rigwarp.view.top import build_top


@pytest.fixture(scope="session")
def sorting(tmp_path_factory: pytest.TempPathFactory) -> Sorting:
    return sorting_view(tmp_path_factory.mktemp("view") / "sorting", share=0.2)


@pytest.fixture(scope="session")
def speck(sorting: Sorting) -> tuple[int, int]:
    """(v, u) of the middle of a speck of dirt on a wing."""
    right = np.argwhere(sorting.true.zone == 0)
    v, u = right[len(right) // 2]
    return int(v), int(u)


@pytest.fixture(scope="session")
def fitted(sorting: Sorting, speck: tuple[int, int]) -> ViewFit:
    v, u = speck
    clean = np.ones(sorting.true.zone.shape, bool)
    clean[v - 6 : v + 6, u - 6 : u + 6] = False
    seen = replace(
        sorting.seen,
        table_mm=np.where(clean[..., None], sorting.seen.table_mm, np.nan),
        light=np.where(clean, sorting.seen.light, np.nan),
    )
    return fit_view(sorting.parts, seen, sorting.folder.rig.table)


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
