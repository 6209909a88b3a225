"""One virtual view, fitted once for all."""

from dataclasses import replace

import numpy as np
import pytest
from virtual_views import Sorting, sorting_view

from rigwarp.view import ViewFit, fit_view


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
