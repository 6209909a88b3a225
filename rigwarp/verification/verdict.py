"""Is a result right, out of tolerance, or not proven? By everything that is known of it, each finding in a sentence."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from rigwarp.geometry import BoolArray, PixelMap
from rigwarp.geometry.robust import chi_squared_limit
from rigwarp.rig import Rig
from rigwarp.table_map import MapFacts, invert
from rigwarp.table_map.plausibility import mistake_in_words
from rigwarp.verification.dots.judge import ErrorFigures, VerificationResult
from rigwarp.verification.dots.plan import DotPlan, plan_dots

if TYPE_CHECKING:
    from rigwarp.as_built import AsBuilt

_FEW = 0.02  # of the check dots may be hidden, lost or seen twice without a mistake: a dent, a cable, a reflection
_HARDLY, _PARTLY = 0.5, 0.9  # shares of the lit content supported by measurements: below is wrong, is not proven
_FORM = 6.0  # times the figure tolerance: not the mirror that was designed
_STRAINED = chi_squared_limit(15, 1e-6)

State = Literal["within tolerance", "out of tolerance", "not proven"]


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What speaks against a result.

    Attributes
    ----------
    failures : what is wrong, a sentence without a full stop each, the likely mistake first.
    not_proven : what keeps the rest from being sure.
    """

    failures: tuple[str, ...] = ()
    not_proven: tuple[str, ...] = ()

    @property
    def state(self) -> State:
        """The verdict in three words at most."""
        return "out of tolerance" if self.failures else "not proven" if self.not_proven else "within tolerance"

    def with_more(self, other: "Verdict") -> "Verdict":
        """Both together, what both say once."""
        failures, not_proven = self.failures + other.failures, self.not_proven + other.not_proven
        return Verdict(failures=tuple(dict.fromkeys(failures)), not_proven=tuple(dict.fromkeys(not_proven)))


def judge_fit(
    fit: MapFacts, built: "AsBuilt | None", rig: Rig, *, promised: BoolArray, lit: BoolArray, measured_share: float
) -> Verdict:
    """What a map, its registration and the mirror say before anything is shown.

    Parameters
    ----------
    built : the mirror, where the scan tells it.
    promised, lit : (K,) by check dot, whether the design as drawn and the map light its place: what `lights` says.
    measured_share : of the lit content, supported by measurements.
    """
    mistake = mistake_in_words(fit.registration.agreement, square_mm=rig.target.square_mm)
    if mistake:  # all else follows from it
        return Verdict(failures=(mistake,))
    failures = [*_dark(lit, promised, rig), *_mirror(built, rig)]
    not_proven = [fit.not_proven] if fit.not_proven else []
    if measured_share < _PARTLY:
        seen = (
            f"only {100 * measured_share:.0f} % of the content that the design lights is supported by the scan: does "
            "the camera see all of it, and was its exposure fixed and long enough? Look at the scan's photographs"
        )
        (failures if measured_share < _HARDLY else not_proven).append(seen)
    return Verdict(failures=tuple(failures), not_proven=tuple(not_proven))


def judge_picture(result: VerificationResult, rig: Rig, *, promised: BoolArray) -> Verdict:
    """What the dots on the table say.

    Parameters
    ----------
    promised : (K,) by dot id, whether the design as drawn lights its place.
    """
    failures = []
    missing = [dot for dot in result.missing if promised[dot]]
    for which, what in (
        (missing, "are not seen: is something in the light's way, or does the light end before the content?"),
        (result.doubled, "are seen twice: does light arrive by two ways, from two parts of the mirror or off a wall?"),
    ):
        if len(which) > _FEW * len(promised):
            failures.append(f"{len(which)} of {len(promised)} check dots {what}")
    return Verdict(failures=(*failures, *judge_errors(result, rig).failures))


def judge_errors(figures: VerificationResult | ErrorFigures, rig: Rig) -> Verdict:
    """What the dots' distances from their places say."""
    allowed = rig.tolerance.content_p95_mm
    if figures.p95_mm <= allowed:
        return Verdict()
    off = (
        f"the picture is off by {figures.p95_mm:.2f} mm (P95), tolerance.content_p95_mm allows {allowed:g}: check that "
        "nothing has moved since the camera was calibrated, and calibrate again"
    )
    return Verdict(failures=(off,))


def lights(pixel_map: PixelMap, dots: DotPlan) -> BoolArray:
    """(K,) whether a map lights the places of the check dots."""
    return np.asarray(invert(pixel_map, dots.table_mm).count > 0)


def _dark(lit: BoolArray, promised: BoolArray, rig: Rig) -> list[str]:
    """Places of the content that the design lights and the map does not."""
    dots = plan_dots(rig.content)
    dark = promised & ~lit
    if np.count_nonzero(dark) <= _FEW * np.count_nonzero(promised):
        return []
    x, y = dots.table_mm[dark].mean(axis=0)
    return [
        f"{np.count_nonzero(dark)} of {np.count_nonzero(promised)} places of the content that the design lights get no "
        f"light, about x = {x:.0f}, y = {y:.0f} mm: is something in the light's way, was somebody during the scan, "
        "or does the picture lie beside the content?"
    ]


def _mirror(built: "AsBuilt | None", rig: Rig) -> list[str]:
    """A mirror or a mounting that is not the one of the design."""
    if built is None:
        return []
    failures, pose, rms_um = [], built.pose, built.figures.rms_without_power_um
    strain = float(np.sum((pose.values / pose.prior_sigma) ** 2) + np.sum((pose.optics / pose.optics_prior_sigma) ** 2))
    if strain > _STRAINED:
        shifts = (float(np.linalg.norm(shift)) for shift in (pose.projector_shift_mm, pose.mirror_shift_mm))
        failures.append(
            "projector and mirror are {:.0f} and {:.0f} mm from their places, which strains their tolerances: compare "
            "position_mm, rotation_deg and throw_ratio in rig.toml with what was built".format(*shifts)
        )
    if rms_um > _FORM * rig.tolerance.figure_rms_um:
        failures.append(
            f"the mirror differs from its design by {rms_um:.0f} µm rms without power, where "
            f"{rig.tolerance.figure_rms_um:g} are allowed: is it the mirror that rig.toml describes?"
        )
    return failures
