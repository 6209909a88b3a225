"""Uncertainty budgets: independent causes, combined and expanded.

Terms as in JCGM 100:2008 (Guide to the expression of uncertainty in measurement): type A is evaluated by statistics of
observations, type B by other means; the combined standard uncertainty is the root of the sum of squares of what each
cause contributes (5.1.2); expanded by k = 2 it covers about 95 % (6.3.3).
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

COVERAGE_FACTOR = 2.0
Kind = Literal["A", "B"]
Part = Literal["repeatable", "common"]


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
