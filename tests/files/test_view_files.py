"""view.npz, view_lens.json and current_view.json: what is written is read again, and nonsense is refused."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rigwarp.errors import InputError
from rigwarp.files import current_view, read_view_lens, read_view_map, write_npz, write_view_lens, write_view_map
from rigwarp.files.maps import read_measured_view
from rigwarp.geometry import ViewMap
from rigwarp.rig import Lens
from rigwarp.view import LeanDoubt


def small_view() -> ViewMap:
    """Four by three pixels, the last of which sees nothing."""
    numbers = np.linspace(1.0, 2.0, 12).reshape(3, 4)
    numbers[-1, -1] = np.nan
    return ViewMap(
        x_mm=numbers,
        y_mm=-numbers,
        sigma_mm=0.1 * numbers,
        zone=np.where(np.isnan(numbers), -1, 1).astype(np.int16),
        measured=np.isfinite(numbers),
        lean_x=0.5 * numbers,
        lean_y=0.2 * numbers,
    )


def test_a_view_comes_back(tmp_path: Path) -> None:
    view = small_view()
    write_view_map(tmp_path / "view.npz", view, rig_hash="abc", scans=("view_scans/one",))
    found, header = read_view_map(tmp_path / "view.npz", resolution=(4, 3))
    np.testing.assert_array_equal(found.lean, view.lean)
    np.testing.assert_array_equal(found.zone, view.zone)
    assert (header["rig_hash"], header["scans"]) == ("abc", ["view_scans/one"])
    with pytest.raises(InputError, match="found 4 x 3 pixels, expected the view's 5 x 5"):
        read_view_map(tmp_path / "view.npz", resolution=(5, 5))


def test_what_is_not_known_of_the_lean_comes_back(tmp_path: Path) -> None:
    path, random = tmp_path / "view.npz", np.random.default_rng(1)
    doubt = LeanDoubt(
        first_zones=np.array([0, 2]),
        middle_px=np.array([[1.0, 1.0], [3.0, 1.0]]),
        half_px=np.ones((2, 2)),
        terms=random.normal(size=(2, 10, 2, 3)),
        found=np.zeros(3),
    )
    write_view_map(path, small_view(), doubt, rig_hash="abc")
    pixels, zone = np.array([[0.5, 1.2], [2.5, 0.3]]), np.array([1, 2])
    view, found = read_measured_view(path)
    np.testing.assert_array_equal(view.lean, small_view().lean)
    np.testing.assert_array_equal(found.slopes(pixels, zone), doubt.slopes(pixels, zone))
    path = tmp_path / "falling.npz"
    write_view_map(path, small_view(), replace(doubt, first_zones=np.array([2, 0])), rig_hash="abc")
    with pytest.raises(InputError, match="found errors of the lean that are none"):
        read_measured_view(path)
    path = tmp_path / "design.npz"
    write_view_map(path, small_view(), rig_hash="abc")
    with pytest.raises(InputError, match="lean_error_first_zones"):
        read_measured_view(path)


def test_an_older_map_says_one_sigma_of_the_lean(tmp_path: Path) -> None:
    """As files were written before: one figure in the header, and no arrays."""
    path, view = tmp_path / "view.npz", small_view()
    names = ("x_mm", "y_mm", "sigma_mm", "lean_x", "lean_y", "zone", "measured")
    arrays = {name: getattr(view, name) for name in names}
    write_npz(path, arrays, format="rigwarp view map", header={"rig_hash": "abc", "lean_sigma": 0.002})
    slopes = read_measured_view(path)[1].slopes(np.array([[0.5, 1.2], [2.5, 0.3]]), np.array([1, 1]))
    np.testing.assert_allclose(np.sqrt((slopes**2).sum(axis=-1)), 0.002)


def test_a_view_that_contradicts_itself_is_refused(tmp_path: Path) -> None:
    view = small_view()
    write_view_map(tmp_path / "view.npz", replace(view, zone=np.zeros((3, 4), np.int16)), rig_hash="abc")
    with pytest.raises(InputError, match="contradict"):
        read_view_map(tmp_path / "view.npz")


def test_a_lens_comes_back(tmp_path: Path) -> None:
    lens = Lens(
        matrix=np.diag([500.0, 501.0, 1.0]),
        distortion=np.arange(5) * 0.01,
        sigma_px=0.05,
        covariance=np.diag([0.04, 0.04, 0.09, 0.09, 1e-6, 1e-6, 0.0, 0.0, 0.0]),
    )
    write_view_lens(tmp_path / "view_lens.json", lens, resolution=(640, 480), extra={"photos": 12})
    found = read_view_lens(tmp_path / "view_lens.json", resolution=(640, 480))
    np.testing.assert_array_equal(found.matrix, lens.matrix)
    np.testing.assert_array_equal(found.distortion, lens.distortion)
    assert found.sigma_px == 0.05
    np.testing.assert_array_equal(found.covariance, lens.covariance)
    with pytest.raises(InputError, match="640 x 480, expected the view's 1920 x 1080"):
        read_view_lens(tmp_path / "view_lens.json", resolution=(1920, 1080))


def test_a_lens_of_which_no_covariance_is_told_is_read_and_nonsense_is_not(tmp_path: Path) -> None:
    """As files of before it was kept."""
    lens = Lens(matrix=np.diag([500.0, 501.0, 1.0]), distortion=np.zeros(5), sigma_px=0.05)
    write_view_lens(tmp_path / "old.json", lens, resolution=(640, 480))
    contents = json.loads((tmp_path / "old.json").read_text())
    del contents["covariance"]
    (tmp_path / "older.json").write_text(json.dumps(contents))
    for name in ("old.json", "older.json"):
        assert read_view_lens(tmp_path / name).covariance is None
    contents["covariance"] = (-np.eye(9)).tolist()
    (tmp_path / "wrong.json").write_text(json.dumps(contents))
    with pytest.raises(InputError, match="found no lens in it"):
        read_view_lens(tmp_path / "wrong.json")
    contents["covariance"] = [1.0, 2.0]
    (tmp_path / "short.json").write_text(json.dumps(contents))
    with pytest.raises(InputError, match=r"covariance: found .* expected 9 x 9 numbers.*rigwarp view lens"):
        read_view_lens(tmp_path / "short.json")


def test_no_view_yet(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="rigwarp view fit"):
        current_view(tmp_path)
