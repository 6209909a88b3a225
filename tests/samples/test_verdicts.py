"""Whether samples can be told apart: statsmodels 0.15 as outside reference, and repeated draws."""

import numpy as np
import pytest
from scipy.stats import t as student
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import ttost_paired

from rigwarp.samples.verdicts import groups, holm, judge_pairs, paired_tests, seatings_needed

D = np.array([3, -1, 4, 0, 2]) * 1e-3


def test_paired_tests_against_statsmodels() -> None:
    found = paired_tests(D, 0.01)
    assert (found.mean, found.spread, found.t, found.p) == pytest.approx((0.0016, 0.00207, 1.725, 0.160), abs=6e-4)
    assert found.interval == pytest.approx((-0.00038, 0.00358), abs=6e-6)
    assert found.p_same == pytest.approx(4.1e-4, abs=2e-5)
    p, *_ = ttost_paired(D, np.zeros(5), -0.01, 0.01)
    assert found.p_same == pytest.approx(p, rel=1e-9)


def test_holm_against_statsmodels() -> None:
    p = np.random.default_rng(3).uniform(0.0, 0.2, 12)
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1], rel=1e-12)


def test_least_significant_difference() -> None:
    """Unpaired, s = 0.005, four each: t(0.975, 6) s sqrt(2/4) = 0.00865 (closed form alone)."""
    assert student.ppf(0.975, 6) * 0.005 * np.sqrt(2 / 4) == pytest.approx(0.00865, abs=5e-6)


def test_the_seatings_that_would_do_do() -> None:
    for mean, spread, within in [(0.0, 0.004, 0.005), (0.003, 0.004, 0.004), (0.02, 0.02, 0.01)]:
        k = seatings_needed(mean, spread, within)
        assert k is not None
        error = spread / np.sqrt(k)
        apart = abs(mean) > student.ppf(0.975, k - 1) * error
        alike = abs(mean) + student.ppf(0.95, k - 1) * error < within
        assert apart or alike
    assert seatings_needed(0.01, 0.5, 0.01) is None


def test_twins_are_never_called_different() -> None:
    """100 draws of twins that differ by a tenth of what matters, five seatings with the bench's own repeatability."""
    random = np.random.default_rng(4)
    answers = [
        judge_pairs(["a", "b"], random.normal([[0.0], [0.002]], 0.004, (2, 5)), 0.02)[0].answer for _ in range(100)
    ]
    assert "different" not in answers
    assert answers.count("the same within") >= 95


def test_pairs_that_differ_are_told_apart() -> None:
    """By twice the 1-sigma of a difference of two results, each from six seatings, beyond what counts as the same."""
    random = np.random.default_rng(5)
    sigma = 0.006
    apart = 2 * np.sqrt(2) * sigma
    verdicts = [judge_pairs(["a", "b"], random.normal([[0.0], [apart]], sigma, (2, 6)), 0.005)[0] for _ in range(200)]
    assert np.mean([verdict.answer == "different" for verdict in verdicts]) >= 0.95


def test_not_different_is_not_the_same() -> None:
    verdict = judge_pairs(["a", "b"], np.array([[0.0, 0.03, -0.02], [0.01, -0.01, 0.02]]), 0.02)[0]
    assert verdict.answer == "not decided"
    assert verdict.more is not None
    assert verdict.more > 0
    once = judge_pairs(["a", "b"], np.array([[0.0], [0.5]]), 0.01)[0]
    assert (once.answer, once.more) == ("not decided", 1)


def test_one_with_itself_is_the_same() -> None:
    same = np.array([[0.5, 0.6, 0.4]] * 2)
    assert judge_pairs(["a", "b"], same, 1e-6)[0].answer == "the same within"


def test_letters() -> None:
    values = np.array([[0.0, 0.001, -0.001], [0.0005, 0.0, 0.001], [0.5, 0.501, 0.499]])
    found = groups(["a", "b", "c"], judge_pairs(["a", "b", "c"], values, 0.01))
    assert found == {"a": "a", "b": "a", "c": "b"}
    assert groups([], []) == {}  # a figure that no sample has on this bench
