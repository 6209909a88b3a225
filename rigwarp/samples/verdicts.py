"""Can two samples be told apart, by paired cycles? And a sample's two directions, by turning it by 90 degrees?"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
from scipy.special import stdtr, stdtrit

from rigwarp.geometry import Array

Answer = Literal["different", "the same within", "not decided"]

CHANCE = 0.05
"""Of calling equal samples different, or different ones the same."""
_MOST_SEATINGS = 200


@dataclass(frozen=True, kw_only=True)
class PairedTests:
    """Of differences d: mean, its standard error s/sqrt(k), t, two-sided p, 90 % interval, and p of TOST."""

    mean: float
    spread: float
    t: float
    p: float
    interval: tuple[float, float]
    p_same: float


def paired_tests(differences: Array, within: float) -> PairedTests:
    """Student's paired test, and two one-sided tests (ASTM E2935) against +-`within`, of (k,) differences, k >= 2."""
    k = len(differences)
    mean, spread = float(np.mean(differences)), float(np.std(differences, ddof=1))
    error = max(spread / np.sqrt(k), 1e-15)
    half = float(stdtrit(k - 1, 1.0 - CHANCE)) * error
    return PairedTests(
        mean=mean,
        spread=spread,
        t=mean / error,
        p=float(2.0 * stdtr(k - 1, -abs(mean) / error)),
        interval=(mean - half, mean + half),
        p_same=float(stdtr(k - 1, (abs(mean) - within) / error)),
    )


def holm(p: Array) -> Array:
    """(n,) p-values adjusted for their number by Holm's rule."""
    order = np.argsort(p)
    adjusted = np.maximum.accumulate((len(p) - np.arange(len(p))) * p[order])
    found = np.zeros(len(p))
    found[order] = np.minimum(adjusted, 1.0)
    return found


def seatings_needed(mean: float, spread: float, within: float) -> int | None:
    """How many seatings would decide, as far as what was seen holds; None beyond 200."""
    for k in range(2, _MOST_SEATINGS + 1):
        error = spread / np.sqrt(k)
        apart = abs(mean) > stdtrit(k - 1, 1.0 - CHANCE / 2) * error
        alike = abs(mean) + stdtrit(k - 1, 1.0 - CHANCE) * error < within
        if apart or alike:
            return k
    return None


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What is said about two samples in one figure.

    Attributes
    ----------
    first, second : names of the samples.
    answer : "different" and "the same within" may both hold; then "the same within" is said, since it matters to a
        maker, and `p` tells the rest.
    difference, interval : mean of first minus second, and its 90 % interval; in the figure's unit.
    within : what counts as the same.
    p : of Student's test after Holm's rule over all pairs.
    more : seatings that would probably decide, beside those there are; None where that cannot be said.
    """

    first: str
    second: str
    answer: Answer
    difference: float
    interval: tuple[float, float]
    within: float
    p: float
    more: int | None


def judge_pairs(names: Sequence[str], values: Array, within: float) -> list[Verdict]:
    """All pairs of samples in one figure.

    Parameters
    ----------
    names : of n samples.
    values : (n, k) figure by sample and seating; a seating stands for the same cycle (or the same place in the order)
        of all samples. NaN where a seating is missing.
    within : differences up to this count as the same.
    """
    pairs = list(combinations(range(len(names)), 2))
    rows = [values[a] - values[b] for a, b in pairs]
    rows = [row[np.isfinite(row)] for row in rows]
    tests = [paired_tests(row, within) if len(row) > 1 else None for row in rows]
    adjusted = holm(np.array([1.0 if one is None else one.p for one in tests]))
    return [
        _verdict(names[a], names[b], row, one, float(p), within)
        for (a, b), row, one, p in zip(pairs, rows, tests, adjusted, strict=True)
    ]


def _verdict(first: str, second: str, row: Array, tests: PairedTests | None, p: float, within: float) -> Verdict:
    if tests is None:
        mean = float(np.mean(row)) if len(row) else float("nan")
        return Verdict(
            first=first, second=second, answer="not decided", difference=mean, interval=(-np.inf, np.inf),
            within=within, p=1.0, more=2 - len(row),
        )  # fmt: skip
    answer: Answer = "not decided"
    more: int | None = 0
    if tests.p_same < CHANCE:
        answer = "the same within"
    elif p < CHANCE:
        answer = "different"
    else:
        needed = seatings_needed(tests.mean, tests.spread, within)
        more = None if needed is None else max(1, needed - len(row))
    return Verdict(
        first=first, second=second, answer=answer, difference=tests.mean, interval=tests.interval,
        within=within, p=p, more=more,
    )  # fmt: skip


def groups(names: Sequence[str], verdicts: Sequence[Verdict]) -> dict[str, str]:
    """Letters: samples that share one are not told apart. Name -> letters, greatest cliques of what is not "different".

    As in a compact letter display (Piepho 2004, J. Comput. Graph. Stat. 13, 456).
    """
    apart = {frozenset((v.first, v.second)) for v in verdicts if v.answer == "different"}
    cliques: list[set[str]] = [set(names)] if names else []  # a bench may be too small for a figure
    for pair in sorted(apart, key=sorted):
        split = []
        for clique in cliques:
            split += [clique - {one} for one in sorted(pair)] if pair <= clique else [clique]
        cliques = [c for i, c in enumerate(split) if not any(c < d or (c == d and j < i) for j, d in enumerate(split))]
    cliques.sort(key=lambda clique: min(list(names).index(name) for name in clique))
    return {name: "".join(chr(97 + i) for i, clique in enumerate(cliques) if name in clique) for name in names}


@dataclass(frozen=True, kw_only=True)
class Turned:
    """How unlike the two directions are, as a ratio (in the plane of incidence over across it), and by whose doing.

    Attributes
    ----------
    material : the factor that turned with the sample. bench : the one that stayed; slopes make 1 / cos(incidence).
        NaN where a blur is not above zero.
    crests_turned_deg : by how much the crests of the waves turned, 0 to 90: 90 for waves of the material.
    """

    material: float
    bench: float
    crests_turned_deg: float


def by_turning(before: Array, after: Array, crests_deg: tuple[float, float]) -> Turned:
    """Tell apart what is the sample's and what is the bench's.

    Parameters
    ----------
    before, after : (2,) blur in the plane of incidence and across it, as the sample lies and turned.
    crests_deg : direction of the waves' crests before and after.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        first, second = (float(np.where(np.all(one > 0.0), one[0] / one[1], np.nan)) for one in (before, after))
    moved = (crests_deg[1] - crests_deg[0]) % 180.0
    return Turned(
        material=float(np.sqrt(first / second)),
        bench=float(np.sqrt(first * second)),
        crests_turned_deg=float(min(moved, 180.0 - moved)),
    )
