"""as_built.npz and as_built.json: what was written is what is read, and damage is explained."""

import json

import numpy as np
import pytest
from as_built_rig import TOLERANCES, scan

from rigwarp.as_built import estimate_as_built
from rigwarp.errors import InputError
from rigwarp.files import read_as_built, write_as_built


@pytest.fixture(scope="module")
def result(model, camera):
    return estimate_as_built(model, scan(model, camera, step_px=16), TOLERANCES, camera)


def test_round_trip(result, tmp_path):
    write_as_built(tmp_path, result, extra={"rig_hash": "abc", "scan": "today"})
    arrays, numbers = read_as_built(tmp_path)
    for name, array in arrays.items():
        np.testing.assert_array_equal(array, getattr(result, name))
    assert numbers["scan"] == "today"
    assert numbers["figures"]["rms_um"] == result.figures.rms_um
    assert [(t["n"], t["m"]) for t in numbers["zernike"]["terms"]] == [(t.n, t.m) for t in result.zernike]
    assert numbers["unobservable"] == list(result.unobservable)
    assert all(block["from"] for block in (numbers["pose"], numbers["figures"], numbers["zernike"], numbers["fit"]))


def test_nothing_is_overwritten_silently(result, tmp_path):
    write_as_built(tmp_path, result)
    with pytest.raises(InputError):
        write_as_built(tmp_path, result)
    write_as_built(tmp_path, result, replace=True)


def test_damage_is_explained(result, tmp_path):
    with pytest.raises(InputError, match="rigwarp fit"):
        read_as_built(tmp_path)
    write_as_built(tmp_path, result)
    arrays = dict(np.load(tmp_path / "as_built.npz"))
    arrays["height_sigma_um"] = np.full_like(arrays["height_sigma_um"], -1.0)
    np.savez(tmp_path / "as_built.npz", **arrays)
    with pytest.raises(InputError, match="negative sigma"):
        read_as_built(tmp_path)


def test_json_has_no_numbers_for_what_is_not_told(result, tmp_path):
    write_as_built(tmp_path, result)
    pose = json.loads((tmp_path / "as_built.json").read_text())["pose"]
    rows = [pose[k] for k in pose if isinstance(pose[k], dict) and "value" in pose[k]]
    assert len(rows) == 12
    told = np.array([row["value"] is not None for row in rows])
    np.testing.assert_array_equal(told, result.pose.determined)
    assert not told.all()
