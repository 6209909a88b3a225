"""Plan, code, pictures and figures."""

import numpy as np
import pytest

from rigwarp.errors import InputError
from rigwarp.rig import Content
from rigwarp.verification import dot_pictures, plan_dots
from rigwarp.verification.dots.judge import error_figures, fit_similarity
from rigwarp.verification.dots.plan import blink_words


def content(shape="circle", size=(240.0, 240.0), pixels=(540, 540), rotation=0.0, centre=(0.0, 0.0)):
    return Content(shape=shape, size_mm=size, centre_mm=np.array(centre), rotation_rad=rotation, pixels=pixels)


@pytest.mark.parametrize("count", [5, 60, 290, 800])
def test_words_have_one_weight_and_distance_four(count):
    words = blink_words(count)
    assert words.shape[0] == count
    assert np.ptp(words.sum(axis=1)) == 0
    distance = (words[:, None] != words[None]).sum(axis=2) + 99 * np.eye(count, dtype=int)
    assert distance.min() >= 4
    # the light of two dots on one spot is no word of the code
    union = (words[:, None] | words[None]).sum(axis=2)
    assert (union[~np.eye(count, dtype=bool)] > words[0].sum()).all()


def test_too_many_dots_are_refused():
    with pytest.raises(InputError, match="spacing"):
        blink_words(200_000)


def test_plan_keeps_the_margin_and_knows_the_table():
    plan = plan_dots(content(rotation=np.pi / 2, centre=(10.0, 20.0)), spacing_mm=24.0, margin_mm=9.0)
    own = plan.table_mm - [10.0, 20.0]
    assert np.hypot(*own.T).max() <= 120.0 - 9.0
    # rotation 90 degrees: the content's right edge points to +y of the table
    rightmost = plan.content_px[:, 0].argmax()
    assert plan.table_mm[rightmost, 1] == pytest.approx(plan.table_mm[:, 1].max())
    assert plan.words.shape[0] == len(plan.ids)


@pytest.mark.parametrize(("spacing", "diameter"), [(5.0, 6.0), (200.0, 6.0)])
def test_impossible_plans(spacing, diameter):
    with pytest.raises(InputError):
        plan_dots(content(), spacing_mm=spacing, diameter_mm=diameter)


def test_pictures_hold_the_light_of_exact_discs():
    """Area of each disc pi d^2 / 4 and its centroid; 8-bit code rounding allows 0.5 % and 0.01 px."""
    plan = plan_dots(content("rectangle", (240.0, 160.0), (700, 360)), spacing_mm=30.0)
    pictures = dot_pictures(plan)
    assert len(pictures) == plan.n_pictures
    assert pictures[0].max() == 0
    code = pictures[1][..., 0] / 255.0
    light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    mm2_per_px = 240.0 / 700 * 160.0 / 360
    v, u = np.mgrid[: light.shape[0], : light.shape[1]]
    for centre in plan.content_px:
        near = (np.abs(u - centre[0]) < 25) & (np.abs(v - centre[1]) < 25)
        weight = light[near]
        assert weight.sum() * mm2_per_px == pytest.approx(np.pi * 9.0, rel=5e-3)
        assert (u[near] * weight).sum() / weight.sum() == pytest.approx(centre[0], abs=0.01)
        assert (v[near] * weight).sum() / weight.sum() == pytest.approx(centre[1], abs=0.01)


def test_each_blinking_picture_shows_the_dots_of_its_column():
    plan = plan_dots(content(), spacing_mm=40.0)
    pictures = dot_pictures(plan)[2:]
    middle = np.round(plan.content_px).astype(int)
    shown = np.array([picture[middle[:, 1], middle[:, 0], 1] for picture in pictures]).T
    np.testing.assert_array_equal(shown == 255, plan.words.astype(bool))


def test_figures_of_isotropic_gaussian_noise():
    """check_values 5.2: rms 1.414214, P95 2.447747, P95/rms 1.730818 per-axis sigma; 0.5 % is 3 sigma of 10^6 draws."""
    vectors = np.random.default_rng(11).normal(size=(1_000_000, 2))
    figures = error_figures(vectors)
    assert figures.rms_mm == pytest.approx(1.414214, rel=3e-3)
    assert figures.p95_mm == pytest.approx(2.447747, rel=5e-3)
    assert figures.p95_mm / figures.rms_mm == pytest.approx(1.730818, rel=5e-3)
    assert figures.max_mm > figures.p95_mm


def test_similarity_is_recovered():
    rng = np.random.default_rng(12)
    wanted = rng.uniform(-100, 100, (40, 2))
    angle = 0.03
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    similarity, left = fit_similarity(wanted, 1.02 * wanted @ turn.T + [3.0, -4.0])
    assert similarity.scale == pytest.approx(1.02, abs=1e-12)
    assert similarity.rotation_rad == pytest.approx(angle, abs=1e-12)
    np.testing.assert_allclose(similarity.shift_mm, [3.0, -4.0], atol=1e-11)
    assert np.abs(left).max() < 1e-11
