"""Uncertainty budgets: independent causes, combined and expanded; and whether the check dots lie where they say.

Terms as in JCGM 100:2008 (Guide to the expression of uncertainty in measurement): type A is evaluated by statistics of
observations, type B by other means; the combined standard uncertainty is the root of the sum of squares of what each
cause contributes (5.1.2); expanded by k = 2 it covers about 95 % (6.3.3).

Dots see what differs between scan and check: noise, the fit, the mesh. What camera and sheet do to both alike cancels.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.spatial import cKDTree

from rigwarp.geometry import Array

COVERAGE_FACTOR = 2.0
Kind = Literal["A", "B"]
Part = Literal["repeatable", "common"]
_NEIGHBOURS = 16
"""Dots around a place that tell what is unexplained there: 32 residuals are enough for a variance (to a quarter), and
local enough for a dent or a rim to stand out."""


@dataclass(frozen=True, kw_only=True)
class Cause:
    """One source of uncertainty.

    Attributes
    ----------
    key, name : for files, for people.
    kind : "A" or "B", see the module.
    part : "repeatable" where camera and sheet are the same in scan and check, so that the check grid can see it;
        "common" where they deceive both alike.
    how : how it was evaluated, in words.
    """

    key: str
    name: str
    kind: Kind
    part: Part
    how: str


@dataclass(frozen=True, kw_only=True)
class RegionBudget:
    """What each cause contributes in one part of the table: key -> 1-sigma per axis, mm, over `n` places."""

    name: str
    n: int
    sigma_mm: Mapping[str, float]

    def of(self, keys: Iterable[str]) -> float:
        """Some of the causes combined, mm."""
        return combined(self.sigma_mm[key] for key in keys)

    @property
    def combined_mm(self) -> float:
        """All of them, mm."""
        return combined(self.sigma_mm.values())

    @property
    def expanded_mm(self) -> float:
        """The combined one times the coverage factor."""
        return COVERAGE_FACTOR * self.combined_mm


def combined(sigmas_mm: Iterable[float]) -> float:
    """Root of the sum of squares (JCGM 100, 5.1.2, sensitivities already applied)."""
    return float(np.sqrt(sum(sigma**2 for sigma in sigmas_mm)))


def rectangular(half_width: float) -> float:
    """1-sigma of a value that is known to lie within ± half_width and no more (JCGM 100, 4.3.7)."""
    return half_width / np.sqrt(3.0)


@dataclass(frozen=True, kw_only=True)
class CheckGrid:
    """Check dots: places (N, 2), measured minus wanted (N, 2), 1-sigma per axis of finding a dot (N,); mm."""

    points_mm: Array
    vectors_mm: Array
    sigma_mm: Array


@dataclass(frozen=True, kw_only=True)
class GridCoverage:
    """Residuals of the check dots against the repeatable part of the budget; x and y count one each.

    Attributes
    ----------
    n : dots.
    rms_mm : residual per axis, root mean square.
    predicted_mm : what scan, mesh and the finding of the dots predict for it.
    inside_predicted : share of residuals within k = 2 of that prediction alone.
    inside : share within k = 2 of the prediction and what the *other* dots nearby show beyond it.
    """

    n: int
    rms_mm: float
    predicted_mm: float
    inside_predicted: float
    inside: float


def judge_grid(check: CheckGrid, predicted_mm: Array, places_mm: Array) -> tuple[GridCoverage, Array]:
    """Compare check dots with their budget.

    Parameters
    ----------
    check : N dots.
    predicted_mm : (N,) repeatable 1-sigma per axis at the dots, without that of finding them.
    places_mm : (M, 2) where the unexplained part is wanted.

    Returns
    -------
    GridCoverage
    (M,)
        1-sigma per axis of what is unexplained at the places: a type A evaluation by the dots around each, their own
        noise and the prediction taken off; 0 where these explain it all.

    Notes
    -----
    A dot is judged by its neighbours, never by itself: otherwise the share inside would be a foregone conclusion.
    """
    squares = np.mean(check.vectors_mm**2, axis=-1)
    variance = predicted_mm**2 + check.sigma_mm**2
    beyond = squares - variance
    tree = cKDTree(check.points_mm)
    count = min(_NEIGHBOURS, len(squares) - 1)
    _, near = tree.query(check.points_mm, k=range(2, count + 2))  # the nearest is the dot itself
    others = np.maximum(beyond[near].mean(axis=1), 0.0)
    _, around = tree.query(places_mm, k=range(1, count + 1))
    coverage = GridCoverage(
        n=len(squares),
        rms_mm=float(np.sqrt(squares.mean())),
        predicted_mm=float(np.sqrt(variance.mean())),
        inside_predicted=_inside(check.vectors_mm, variance),
        inside=_inside(check.vectors_mm, variance + others),
    )
    return coverage, np.sqrt(np.maximum(beyond[around].mean(axis=1), 0.0))


def _inside(vectors_mm: Array, variance: Array) -> float:
    return float(np.mean(np.abs(vectors_mm) <= COVERAGE_FACTOR * np.sqrt(variance)[:, None]))
