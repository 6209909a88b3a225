"""as_built.npz and as_built.json: round trip, the fixed array names, and damage."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from rigwarp.errors import InputError
from rigwarp.files import read_as_built, write_as_built

GRIDS = ("height_um", "height_sigma_um", "slope_x_mrad", "slope_y_mrad")


def made() -> Any:
    """Stands for the estimator's result: the file only needs its arrays and figures."""
    rng = np.random.default_rng(2)
    grids = {name: np.where(rng.random((4, 5)) < 0.2, np.nan, rng.normal(size=(4, 5))) for name in GRIDS}
    return SimpleNamespace(
        x_mm=np.arange(5.0),
        y_mm=np.arange(4.0),
        zone=np.zeros((4, 5), np.int16),
        to_dict=lambda: {"figures": {"rms_um": np.float64(3.5)}, "unobservable": ["spin about the axis"]},
        **grids,
    )


def test_round_trip(tmp_path: Path) -> None:
    written = made()
    write_as_built(tmp_path, written)
    grid, figures = read_as_built(tmp_path)
    for name in ("x_mm", "y_mm", "zone", *GRIDS):
        np.testing.assert_array_equal(grid[name], getattr(written, name))
    assert figures == {"figures": {"rms_um": 3.5}, "unobservable": ["spin about the axis"]}
    with np.load(tmp_path / "as_built.npz") as file:
        assert {"x_mm", "y_mm", *GRIDS} <= set(file.files)


def test_damage(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="rigwarp fit"):
        read_as_built(tmp_path)
    write_as_built(tmp_path, made())
    whole = (tmp_path / "as_built.npz").read_bytes()
    (tmp_path / "as_built.npz").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(InputError, match=r"as_built\.npz"):
        read_as_built(tmp_path)
    (tmp_path / "as_built.npz").write_bytes(whole)
    (tmp_path / "as_built.json").write_text("{}")
    with pytest.raises(InputError, match=r"as_built\.json"):
        read_as_built(tmp_path)


def test_axes_must_increase(tmp_path: Path) -> None:
    written = made()
    written.x_mm = written.x_mm[::-1]
    write_as_built(tmp_path, written)
    with pytest.raises(InputError, match="x_mm that does not increase"):
        read_as_built(tmp_path)
