"""Right, or says so, between the cells of `bad_day`: one or two mishaps drawn at random, weak and strong.

    python tests/benchmarks/run.py drawn_days [--seeds A-B] [--jobs N] [--json]

A mishap that is too small to be noticed has to be too small to matter, or to be in sigma. Judged as in `bad_day`; of
two mishaps a refusal may name either. What changes the mirror is drawn alone or with one thing that happens to the
photographs. A knock right after black is one before the scan, as far as its photographs tell: knocks come later.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does

import sys
import tempfile
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

_TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(_TESTS / "support"), str(_TESTS / "benchmarks")]

from bench_bad_day import LARGEST_Z, RIGHT, RIGS, SILENT, WAYS, WRONG_CAUSE, WRONG_EXIT, Day, RigBench  # noqa: E402
from run import spread  # noqa: E402

Random = np.random.Generator
_HAPPENS = 0.3
"""How often the mirror is changed."""


def _log(random: Random, least: float, most: float) -> float:
    return float(least * (most / least) ** random.uniform())


def _moved(random: Random, least_px: float, most_px: float) -> str:
    along, angle = _log(random, least_px, most_px), random.uniform(0.0, 2.0 * np.pi)
    return f"[{along * np.cos(angle):.4f}, {along * np.sin(angle):.4f}]"


def _span(random: Random, count: int) -> str:
    first = int(random.integers(1, count - 3))
    return f"[{first}, {min(first + int(random.integers(1, 9)), count)}]"


def _walk(random: Random, count: int) -> str:
    angle, beside = random.uniform(0.0, 2.0 * np.pi), random.uniform(-80.0, 80.0)
    along, across = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    start, end = beside * across - 160.0 * along, beside * across + 160.0 * along
    return (
        f"passer_by_at = {_span(random, count)}\npasser_by_from_mm = [{start[0]:.1f}, {start[1]:.1f}]\n"
        f"passer_by_to_mm = [{end[0]:.1f}, {end[1]:.1f}]\npasser_by_radius_mm = {_log(random, 15, 90):.1f}\n"
        f"passer_by_shadow = {_log(random, 0.02, 0.95):.3f}\n"
    )


_MISHAPS: dict[str, Callable[[Random, int], str]] = {
    "creep": lambda r, _: f"creep_px = {_moved(r, 0.01, 1.0)}\n",
    "knock": lambda r, n: f"knock_at = {r.integers(3, n)}\nknock_px = {_moved(r, 0.01, 2.0)}\n",
    "automatic exposure": lambda r, _: f"auto_exposure = {_log(r, 0.02, 1.0):.3f}\n",
    "daylight": lambda r, _: f"daylight = {_log(r, 0.002, 0.3):.4f}\n",
    "sunshine": lambda r, n: f"sunshine = {_log(r, 0.002, 0.3):.4f}\nsunshine_at = {_span(r, n)}\n",
    "lamp": lambda r, _: f"lamp_drift = {_log(r, 0.002, 0.3) * r.choice([-1, 1]):.4f}\n",
    "JPEG": lambda r, _: f"jpeg_quality = {r.integers(50, 100)}\n",
    "bands": lambda r, _: f"bands = {_log(r, 0.001, 0.05):.4f}\nbands_period_px = {_log(r, 10, 300):.0f}\n",
    "smoothing": lambda r, _: f"smoothing_px = {_log(r, 0.2, 3.0):.2f}\n",
    "passer-by": _walk,
    "too early": lambda r, n: f"early = [{r.integers(2, n)}]\n",
    "exchanged": lambda r, n: "exchanged = [[{}, {}]]\n".format(*sorted(r.choice(n, 2, replace=False) + 1)),
    "missing": lambda r, n: f"missing = [{r.integers(1, n)}]\n",
    "twice": lambda r, n: f"twice = [{r.integers(1, n)}]\n",
}
_BUILT: dict[str, Callable[[Random], str]] = {
    "twisted panel": lambda r: (
        f"\n[[built.facet]]\nfacet = {r.integers(0, 2)}\ntwist_mrad_per_mm = {_log(r, 0.005, 0.3):.4f}\n"
    ),
    "print-layer ripple": lambda r: (
        f"\n[[built.ripple]]\namplitude_um = {_log(r, 0.01, 0.3):.4f}\nperiod_mm = {_log(r, 0.6, 6.0):.3f}\n"
        f"direction_deg = {r.uniform(0, 180):.0f}\n"
    ),
    "hole": lambda r: (
        f"\n[[built.hole]]\nposition_mm = [{r.uniform(-15, 15):.1f}, {r.uniform(-15, 15):.1f}]\n"
        f"diameter_mm = {_log(r, 1.0, 12.0):.1f}\n"
    ),
}


def measure(seeds: Sequence[int] = range(24), jobs: int = 1) -> dict[str, Any]:
    """What came of each draw."""
    found = {str(seed): one for seed, one in zip(seeds, spread(_drawn, list(seeds), jobs), strict=True)}
    outcomes = [one["outcome"] for one in found.values()]
    counts = {kind: outcomes.count(kind) for kind in (RIGHT, "refused, right cause", SILENT, WRONG_CAUSE, WRONG_EXIT)}
    return {
        "draws": found,
        **counts,
        "held": {
            f"error over sigma at most {LARGEST_Z:g} and error at most 3 times the unspoilt one, or refused with the "
            "right cause": counts[SILENT] + counts[WRONG_CAUSE] + counts[WRONG_EXIT] == 0
        },
    }


def _drawn(seed: int) -> dict[str, Any]:
    random = np.random.default_rng(7000 + seed)
    rig = str(random.choice(RIGS))
    built = (
        [str(random.choice([way for way in _BUILT if rig in WAYS[way].rigs]))] if random.uniform() < _HAPPENS else []
    )
    happened = [str(way) for way in random.choice(list(_MISHAPS), 1 if built or random.uniform() < 0.5 else 2, False)]
    with tempfile.TemporaryDirectory() as name:
        bench = RigBench(Path(name), rig)
        count = bench.photographs
        text = f"\n[mishaps]\nphotographs = {count}\n" + "".join(_MISHAPS[way](random, count) for way in happened)
        text += "".join(_BUILT[way](random) for way in built)
        ways = [WAYS[way] for way in happened + built]
        cause = "|".join(f"(?:{way.cause.replace('{half}', '[0-9]+')})" for way in ways)
        but_not = "|".join(f"(?:{way.but_not})" for way in ways) if len(ways) == 1 else r"(?!)"
        folder = bench.spoilt(text, 7000 + seed)
        judged = bench.judged(folder, cause, but_not, _good_day(rig), built=bool(built))
    return {"rig": rig, "what": " ".join(text.split()[3:]), **judged}


@cache
def _good_day(rig: str) -> Day:
    with tempfile.TemporaryDirectory() as name:
        return RigBench(Path(name), rig).good_day(photographed=False)[1]


if __name__ == "__main__":
    from run import alone

    sys.exit(alone("drawn_days", measure))
