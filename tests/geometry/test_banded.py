"""Banded matrices: factor, solution and the inverse within the band, against dense ones and SciPy's."""

import numpy as np
import pytest
from scipy.linalg import LinAlgError, cholesky_banded

from rigwarp.geometry import banded


@pytest.mark.parametrize(("size", "width"), [(40, 6), (300, 45), (20, 30), (33, 32), (200, 1)])
def test_solutions_and_the_inverse_agree_with_dense_ones(size: int, width: int) -> None:
    rng = np.random.default_rng(0)
    lower = np.tril(np.triu(rng.normal(size=(size, size)), -width)) / (2.0 * np.sqrt(width)) + 1.5 * np.eye(size)
    matrix = lower @ lower.T
    band = np.zeros((size, width + 1))
    for k in range(min(width, size - 1) + 1):
        band[: size - k, k] = np.diagonal(matrix, -k)
    expected = cholesky_banded(band.T, lower=True)
    band = banded.cholesky_in_place(band)
    for k in range(min(width, size - 1) + 1):  # what lies past the matrix is nobody's
        assert band[: size - k, k] == pytest.approx(expected[k, : size - k], rel=1e-9, abs=1e-12)
    right = rng.normal(size=(size, 2))
    assert banded.solve(band, right) == pytest.approx(np.linalg.solve(matrix, right), rel=1e-9, abs=1e-12)
    offsets = np.unique(np.minimum([0, 1, width // 2, width], width))
    found, dense = banded.inverse_entries(band, offsets), np.linalg.inv(matrix)
    for column, k in zip(found.T, offsets, strict=True):
        past = max(size - k, 0)
        assert column[:past] == pytest.approx(
            np.diagonal(dense, -k)[:past], rel=1e-9, abs=1e-12 * min(1.0, np.abs(dense).max())
        )
        assert not column[past:].any()


def test_a_matrix_that_is_not_positive_definite_is_refused() -> None:
    with pytest.raises(LinAlgError, match="not positive definite"):
        banded.cholesky_in_place(np.array([[1.0, 2.0], [1.0, 0.0]]))
