"""What a rig's tolerances do to its picture before anything is measured: a Monte-Carlo prediction."""

from dataclasses import dataclass

import numpy as np

from rigwarp.geometry import Array
from rigwarp.tracing.tolerances.sensitivity import Sensitivity, weighted_quantile
from rigwarp.words import number

_DRAWS = 500


@dataclass(frozen=True, kw_only=True)
class ToleranceCause:
    """A group of parameters: rms shift that it alone brings (mm), and its share of the mean square of all together.

    `share_similar` is the share of what a shift, rotation and scale of the picture cannot take out; `most` names the
    parameter of the group that does most.
    """

    name: str
    rms_mm: float
    share: float
    share_similar: float
    most: str


@dataclass(frozen=True, kw_only=True)
class ToleranceAnalysis:
    """How far a picture will be off on the content area when the rig is built within its tolerances.

    Attributes
    ----------
    draws : number of rigs that were drawn.
    rms_mm : over content area and rigs.
    p95_mm, p95_high_mm : of each rig, 95 % of the content area is off by less than its P95; the median of these, and
        what 95 % of the rigs stay below.
    p95_similar_mm, p95_similar_high_mm : the same after the best similarity of each rig's picture.
    causes : the largest first.
    """

    draws: int
    rms_mm: float
    p95_mm: float
    p95_high_mm: float
    p95_similar_mm: float
    p95_similar_high_mm: float
    causes: tuple[ToleranceCause, ...]

    @property
    def sentence(self) -> str:
        """The forecast in words."""
        main = [c for c in self.causes if c.share >= 0.5 * self.causes[0].share]
        reasons = " and ".join(f"{c.name} ({100 * c.share:.0f} %, {c.most} most)" for c in main)
        return (
            f"As mounted, expect the picture to be off by {number(self.p95_mm, 2)} mm (P95; "
            f"{number(self.p95_high_mm, 2)} mm in an unlucky case in 20), mostly because of {reasons}. After shifting, "
            f"turning and scaling it, {number(self.p95_similar_mm, 2)} mm remain."
        )


def analyse_tolerances(found: Sensitivity, rng: np.random.Generator, *, draws: int = _DRAWS) -> ToleranceAnalysis:
    """Draw rigs whose parameters stray independently, each by its 1-sigma, and add up the shifts.

    Parameters
    ----------
    found : shifts are taken as linear in the parameters: tolerances are small against the rig.
    """
    sigma = np.array([parameter.sigma for parameter in found.parameters])
    amounts = rng.standard_normal((draws, len(sigma))) * sigma
    fields = (np.tensordot(amounts, field, 1) for field in (found.shifts_mm, found.similar_mm))
    off, similar = (np.linalg.norm(field, axis=-1) for field in fields)  # (draws, N) of each spot from its place
    p95, p95_similar = (np.array([weighted_quantile(one, found.weights, 0.95) for one in of]) for of in (off, similar))
    return ToleranceAnalysis(
        draws=draws,
        rms_mm=float(np.sqrt(np.average(np.mean(off**2, axis=0), weights=found.weights))),
        p95_mm=float(np.median(p95)),
        p95_high_mm=float(np.quantile(p95, 0.95)),
        p95_similar_mm=float(np.median(p95_similar)),
        p95_similar_high_mm=float(np.quantile(p95_similar, 0.95)),
        causes=_causes(found, sigma),
    )


def _causes(found: Sensitivity, sigma: Array) -> tuple[ToleranceCause, ...]:
    """Mean squares of independent causes add up, so shares need no draws."""
    own = np.array([e.rms_mm**2 for e in found.effects]) * sigma**2
    own_similar = np.array([e.rms_similar_mm**2 for e in found.effects]) * sigma**2
    causes = []
    for name in dict.fromkeys(parameter.group for parameter in found.parameters):
        here = np.array([parameter.group == name for parameter in found.parameters])
        most = found.parameters[int(np.argmax(np.where(here, own, -1.0)))]
        causes.append(
            ToleranceCause(
                name=name,
                rms_mm=float(np.sqrt(own[here].sum())),
                share=float(own[here].sum() / max(own.sum(), 1e-300)),
                share_similar=float(own_similar[here].sum() / max(own_similar.sum(), 1e-300)),
                most=most.name if most.group.startswith(most.part) else f"{most.part} {most.name}",
            )
        )
    return tuple(sorted(causes, key=lambda c: -c.share))
