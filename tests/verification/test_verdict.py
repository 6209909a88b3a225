"""A verdict that looks at everything: each thing that is wrong fails it, and none of the rest does."""

from dataclasses import replace

import numpy as np
import pytest

from rigwarp.errors import ToleranceError
from rigwarp.files.records import FitRecord, VerdictRecord
from rigwarp.geometry import PixelMap
from rigwarp.jobs.checks.verify import require_passed
from rigwarp.jobs.results.history import verdict_of_fit
from rigwarp.rig import parse_rig
from rigwarp.scenarios import create_rig
from rigwarp.verification import DotsFound, judge_dots, plan_dots
from rigwarp.verification.verdict import Verdict, judge_picture, lights


@pytest.fixture(scope="module")
def rig(tmp_path_factory):
    root = tmp_path_factory.mktemp("rig") / "rig"
    create_rig("round-table", root)
    return parse_rig((root / "rig.toml").read_text(encoding="utf-8"), source="test")


def picture(rig, *, missing=(), doubled=(), off_mm=0.02):
    """A check of the dots, each off by a length in its own direction."""
    plan = plan_dots(rig.content)
    angle = np.random.default_rng(2).uniform(0.0, 2.0 * np.pi, len(plan.ids))
    ids = np.array([dot for dot in plan.ids if dot not in missing], np.int32)
    off = off_mm * np.stack([np.cos(angle), np.sin(angle)], axis=-1)[ids]
    found = DotsFound(
        ids=ids,
        table_mm=plan.table_mm[ids] + off,
        sigma_mm=np.full(len(ids), 0.01),
        flux=np.ones(len(ids)),
        missing=dict.fromkeys(missing, "not seen"),
        doubled={dot: plan.table_mm[[dot, dot]] for dot in doubled},
        unreadable=[],
    )
    return judge_dots(found, plan)


def test_a_good_picture_passes(rig):
    promised = np.ones(len(plan_dots(rig.content).ids), bool)
    verdict = judge_picture(picture(rig, missing=(3,), doubled=(5,)), rig, promised=promised)
    assert verdict == Verdict()
    assert verdict.state == "within tolerance"
    require_passed(verdict)


@pytest.mark.parametrize(
    ("spoilt", "said"),
    [
        ({"missing": tuple(range(108))}, "108 of 293 check dots are not seen"),
        ({"doubled": tuple(range(20))}, "20 of 293 check dots are seen twice"),
        ({"off_mm": 0.7}, "content_p95_mm allows 0.5"),
    ],
)
def test_what_is_wrong_with_the_dots_is_said(rig, spoilt, said):
    promised = np.ones(len(plan_dots(rig.content).ids), bool)
    verdict = judge_picture(picture(rig, **spoilt), rig, promised=promised)
    assert verdict.state == "out of tolerance"
    with pytest.raises(ToleranceError, match=said):
        require_passed(verdict)


def test_dots_that_the_design_leaves_dark_are_not_missed(rig):
    promised = np.arange(len(plan_dots(rig.content).ids)) >= 108
    assert not judge_picture(picture(rig, missing=tuple(range(108))), rig, promised=promised).failures


def test_lit_places_of_a_map_that_ends_halfway(rig):
    """Closed form: a map that scales the picture onto the left half of the table lights the dots with x < 0."""
    width, height = 200, 100
    x, y = np.meshgrid(np.linspace(-260.0, 0.0, width), np.linspace(260.0, -260.0, height))
    half = PixelMap(
        x_mm=x,
        y_mm=y,
        sigma_mm=np.full(x.shape, 0.1),
        zone=np.zeros(x.shape, np.int16),
        measured=np.ones(x.shape, bool),
    )
    plan = plan_dots(rig.content)
    dots = plan.table_mm
    np.testing.assert_array_equal(lights(half, plan)[dots[:, 0] != 0.0], (dots[:, 0] < 0.0)[dots[:, 0] != 0.0])


def test_what_the_fit_failed_for_counts_in_a_check_unless_somebody_accepted_it(tmp_path):
    said = VerdictRecord(state="out of tolerance", failures=("the map is turned",), accepted=False)
    FitRecord(verdict=said).write(tmp_path / "fit.json")
    assert verdict_of_fit(tmp_path) == Verdict(failures=("the map is turned",))
    FitRecord(verdict=replace(said, accepted=True)).write(tmp_path / "fit.json", replace=True)
    assert verdict_of_fit(tmp_path) == Verdict()
