"""Records of what lies in a result folder: the same after a round trip, old files readable, damaged ones refused."""

import json
import math

import pytest

from rigwarp.errors import InputError
from rigwarp.files import write_json
from rigwarp.files.records import (
    AsBuiltRecord,
    BudgetRecord,
    DriftRecord,
    FitRecord,
    MovedRecord,
    StartRecord,
    StopRecord,
    VerificationRecord,
)

NINE = {"points_mm": [[0.0, 1.0]], "light": [1.0, 0.5], "uniformity": 0.62, "corner_to_centre": None}
DOTS = {
    "n": 2,
    "rms_mm": 0.041,
    "missing": [3, 7],
    "doubled": [],
    "points_mm": [[0.0, 1.0], [2.0, 3.0]],
    "vectors_mm": [[0.1, None], [0.0, 0.2]],
    "sigma_mm": [0.01, 0.02],
    "similarity": {"scale": 1.002, "shift_mm": [0.3, -0.2]},
    "straightness": {"worst_mm": 0.25, "rows": {"lines": 3, "worst_mm": 0.2}},
    "resolution": [{"place": "rim", "at_mm": [0.0, 0.0], "lines_per_mm": 0.25, "modulation": None}],
    "uniformity": {"before_gain": NINE, "after_gain": NINE},
}
TERMS = [{"n": 2, "m": -2, "um": 30.0, "sigma_um": 1.0}, {"n": 2, "m": 0, "um": None, "sigma_um": None}]
FILES = {
    FitRecord: {
        "table_map": {"n": 1000, "rms_mm": 0.041, "tiles": 4},
        "registration": {"rms_before_mm": 6.5, "shifts": {"mirror_shift_mm": [1.0, 2.0, 3.0]}},
        "samples": {"offered": 10, "used": 9},
        "seconds": {"table map": 3.5},
    },
    BudgetRecord: {
        "causes": [{"key": "decode", "name": "decoding", "kind": "A", "part": "repeatable", "how": "by phases"}],
        "regions": [{"name": "all", "places": 9, "sigma_mm": {"decode": 0.004}, "expanded_mm": 0.008}],
        "coverage_factor": 2,
        "check_grid": {"n": 40, "inside": 0.95},
        "camera_covariance_known": False,
    },
    VerificationRecord: {"after": DOTS, "content": {"revision": 2}, "camera_response": None},
    AsBuiltRecord: {
        "pose": {"mirror_shift_mm_x": {"value": None, "sigma": None, "tolerance": 1.0}, "from": "fit"},
        "unobservable": ["spin"],
        "power": {"determined": False, "note": "told by the tolerances"},
        "figures": {"rms_um": 99.7, "power_pv_um": None, "from": "height map"},
        "zernike": {"terms": TERMS, "aperture_radius_mm": 27.5, "from": "least squares"},
        "findings": [{"what": "astigmatism", "moves_mm": 1.5}],
        "ripple": None,
    },
    StartRecord: {
        "command": "fit",
        "settings": {"scans": ["20260102T030405Z"], "group": "a"},
        "started_utc": "2026-01-02T03:04:05.000+00:00",
        "rig_hash": "ab",
        "rig_toml": "x = 1",
        "versions": {"rigwarp": "1.0"},
    },
    StopRecord: {"exit_status": 0, "seconds": 1.5},
    MovedRecord: {"since": ["20260102T030405Z"], "moved": False, "shift_mm": 0.01},
    DriftRecord: {"findings": ["light"], "advice": "re-register", "picture": {"p95_mm": 0.4}, "light_level": 0.9},
}
KINDS = pytest.mark.parametrize("kind", FILES, ids=lambda kind: kind.__name__)


def holds(whole, part):
    """Whether JSON values contain others, key by key."""
    if isinstance(part, dict):
        return all(key in whole and holds(whole[key], value) for key, value in part.items())
    if isinstance(part, list):
        return len(whole) == len(part) and all(map(holds, whole, part))
    return whole == part


@KINDS
def test_what_is_written_says_all_that_was_read(tmp_path, kind):
    path, again = tmp_path / "a.json", tmp_path / "b.json"
    write_json(path, FILES[kind], format=kind.FORMAT)
    record = kind.read(path)
    record.write(again)
    assert holds(json.loads(again.read_text()), json.loads(path.read_text()))
    assert kind.read(again) == record


@KINDS
def test_files_that_lack_keys_are_read(tmp_path, kind):
    path = tmp_path / "old.json"
    write_json(path, {}, format=kind.FORMAT)
    assert kind.read(path) == kind() == kind.read_any(path)
    assert all(value is None or value == () for name, value in vars(kind()).items() if name != "more")


@KINDS
@pytest.mark.parametrize("damage", ['{"format": "rig', "[]", '{"format": "something else", "version": 1}', "\x00"])
def test_damaged_files_are_refused(tmp_path, kind, damage):
    path = tmp_path / "damaged.json"
    path.write_text(damage)
    for read in (kind.read, kind.read_any):
        with pytest.raises(InputError, match=r"damaged\.json"):
            read(path)


def test_a_newer_version_is_read_only_by_who_shows_what_it_can(tmp_path):
    path = tmp_path / "fit.json"
    write_json(path, {"seconds": {"all": 1.0}}, format=FitRecord.FORMAT, version=9)
    assert FitRecord.read_any(path).seconds == {"all": 1.0}
    with pytest.raises(InputError, match="Update rigwarp"):
        FitRecord.read(path)


def test_null_and_nonsense_are_nan_and_absence_is_none():
    record = VerificationRecord.from_dict({"after": {"rms_mm": None, "p95_mm": "much", "n": True}})
    assert all(math.isnan(value) for value in (record.after.rms_mm, record.after.p95_mm, record.after.n))
    assert record.after.max_mm is None
    assert record.before is None


def test_older_forms_of_the_built_mirror():
    """Figures beside each other, terms as lists, optics in a block of their own."""
    record = AsBuiltRecord.from_dict(
        {
            "figure_rms_um": 61.7,
            "zernike": [[2, 0, 31.5, 4.0], [3, -1, -6.25], ["x"]],
            "pose": {"optics": {"throw_ratio_share": {"value": 0.004}}},
        }
    )
    assert record.figures.figure_rms_um == 61.7
    assert [(term.n, term.m, term.um, term.sigma_um) for term in record.terms] == [
        (2, 0, 31.5, 4.0),
        (3, -1, -6.25, None),
    ]
    assert record.pose.entries["throw_ratio_share"].value == 0.004
