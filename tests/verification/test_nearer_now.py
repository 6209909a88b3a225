"""Whether a second look found the dots nearer to their places, against SciPy's paired test."""

import numpy as np
import pytest
from scipy.stats import ttest_rel

from rigwarp.verification.dots.judge import nearer_now


@pytest.mark.parametrize("share", [0.5, 0.9, 0.97, 0.99, 1.0, 1.1])
def test_the_paired_statistic_is_scipys(share):
    """Three standard errors of the mean gain in squared error, on the dots that both looks saw, in any order."""
    rng = np.random.default_rng(12)
    ids, shuffled = np.arange(80), rng.permutation(np.arange(10, 95))
    before = rng.normal(0.0, 0.1, (80, 2))
    after = np.full((85, 2), 5.0)  # a dot that only the second look saw counts for nothing
    shared = shuffled < 80
    after[shared] = share * before[shuffled[shared]] + rng.normal(0.0, 0.005, (70, 2))
    order = np.argsort(shuffled[shared])
    statistic = ttest_rel(
        np.sum(before[10:] ** 2, axis=1), np.sum(after[shared][order] ** 2, axis=1), alternative="greater"
    ).statistic
    assert nearer_now(ids, before, shuffled, after) == (statistic > 3.0)
    assert (share < 0.95) == (statistic > 3.0) or 0.95 < share < 1.0  # both answers occur


def test_the_same_look_twice_is_no_better():
    errors = np.random.default_rng(3).normal(0.0, 0.1, (30, 2))
    assert not nearer_now(np.arange(30), errors, np.arange(30), errors)
