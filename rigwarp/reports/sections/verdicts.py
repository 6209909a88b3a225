"""Does the result keep what the rig file asks for? In numbers, and in a few sentences."""

import math
from dataclasses import dataclass
from typing import Literal

from rigwarp.files.records import DotsRecord, MapFigures
from rigwarp.reports.result_parts import ResultParts
from rigwarp.reports.sections.as_built_facts import AsBuiltFacts
from rigwarp.reports.wording import as_number, quantity, share

State = Literal["pass", "fail", "undecided", "not measured"]


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """One requirement: what was asked for, what was found."""

    what: str
    found: str
    asked: str
    state: State


def judge_result(parts: ResultParts, facts: AsBuiltFacts) -> list[Verdict]:
    """The rig's tolerances against the result."""
    tolerance = parts.rig.tolerance
    p95 = _p95_mm(parts.verification.after)
    return [
        Verdict(
            what="Content on the table, 95 % of the check dots within",
            found=quantity(p95, "mm"),
            asked=f"at most {tolerance.content_p95_mm:g}\u00a0mm",
            state=_state(p95, tolerance.content_p95_mm),
        ),
        _mirror_verdict(tolerance.figure_rms_um, facts),
    ]


def _mirror_verdict(limit_um: float, facts: AsBuiltFacts) -> Verdict:
    """Where the data leave the power open, only what is bad without it can be judged."""
    found, state = quantity(facts.figure_rms_um, "µm"), _state(facts.figure_rms_um, limit_um)
    if not facts.power_told and math.isfinite(facts.figure_rms_um):
        found = f"{quantity(facts.rms_without_power_um, 'µm')} without power; power not told"
        state = "fail" if facts.rms_without_power_um > limit_um else "undecided"
    return Verdict(
        what="Mirror, built minus design, rms", found=found, asked=f"at most {limit_um:g}\u00a0µm", state=state
    )


def summary_sentences(parts: ResultParts, facts: AsBuiltFacts) -> list[str]:
    """The result in words."""
    said = [_about_picture(parts), *_about_uncertainty(parts), _about_map(parts)]
    if math.isfinite(facts.figure_rms_um):
        said.append(_about_mirror(parts.rig.tolerance.figure_rms_um, facts))
        if facts.unobservable:
            said.append("Some of it the data cannot tell apart; see the section on the mirror.")
    else:
        said.append("Nothing is said about the built mirror: its estimate is missing.")
    return said


def _about_picture(parts: ResultParts) -> str:
    after, before = _p95_mm(parts.verification.after), _p95_mm(parts.verification.before)
    limit = parts.rig.tolerance.content_p95_mm
    if not math.isfinite(after):
        return (
            "The picture on the table has not been verified yet; the numbers below say only how well the map fits its "
            "own data."
        )
    good = "keeps" if after <= limit else "misses"
    text = (
        f"Of the check dots on the table, 95 % lie within {quantity(after, 'mm', 2)} of their place. "
        f"That {good} the {limit:g} mm that the rig asks for."
    )
    if math.isfinite(before):
        text += f" Through the warp computed from the design alone it was {quantity(before, 'mm', 2)}."
    return text


def _about_uncertainty(parts: ResultParts) -> list[str]:
    budget = parts.budget
    if not (math.isfinite(budget.expanded_mm) and budget.camera_known):
        return []
    return [
        f"Measured against a perfect ruler on the table, a spot of the picture is uncertain by ± "
        f"{quantity(budget.expanded_mm, 'mm', 2)} per axis (k = 2), mostly by {' and '.join(budget.largest)}."
    ]


def _about_map(parts: ResultParts) -> str:
    figures = parts.fit.table_map or MapFigures()
    rms, coverage = as_number(figures.rms_mm), figures.coverage
    if not math.isfinite(rms):
        return "How well the map fits samples that were held out of it is not recorded."
    return (
        f"Samples held out of the map's fit differ from it by {quantity(rms, 'mm')} rms; "
        f"{share(coverage)} of the lit content area is supported by measurements."
    )


def _about_mirror(limit_um: float, facts: AsBuiltFacts) -> str:
    total, rest = quantity(facts.figure_rms_um, "µm"), quantity(facts.rms_without_power_um, "µm")
    if not facts.power_told:
        text = (
            f"Without power, the built mirror differs from the design by {rest} rms after the best rigid alignment; "
            "the "
            f"rig asks for {limit_um:g} µm in all. Its power, that is its radius, the data do not tell; with the most "
            f"probable one the total is {total}. The distance from projector to mirror, measured and entered in "
            "rig.toml with its own tolerance, would decide it."
        )
    else:
        relation = "within" if facts.figure_rms_um <= limit_um else "outside"
        text = (
            f"The built mirror differs from the design by {total} rms after the best rigid alignment, {relation} the "
            f"{limit_um:g} µm that the rig asks for"
        )
        text += "." if rest == "-" else f"; {rest} without power."
    if math.isfinite(facts.noise_rms_um):
        text += f" The height is uncertain by {quantity(facts.noise_rms_um, 'µm', 2)} (1-sigma, rms over the mirror)."
    return text


def _p95_mm(dots: DotsRecord | None) -> float:
    return math.nan if dots is None else as_number(dots.p95_mm)


def _state(value: float, limit: float) -> State:
    if not math.isfinite(value):
        return "not measured"
    return "pass" if value <= limit else "fail"
