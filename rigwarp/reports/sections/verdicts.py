"""Does the result keep what the rig file asks for? In numbers, and in a few sentences."""

import math
from dataclasses import dataclass
from typing import Literal

from rigwarp.files.records import DotsRecord, MapFigures, VerdictRecord
from rigwarp.reports.result_parts import ResultParts
from rigwarp.reports.sections.as_built_facts import AsBuiltFacts
from rigwarp.reports.wording import as_number, quantity, sentence, share
from rigwarp.verification import verdict

State = Literal["pass", "fail", "undecided", "not measured"] | verdict.State


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """One requirement: what was asked for, what was found."""

    what: str
    found: str
    asked: str
    state: State


def judge_result(parts: ResultParts, facts: AsBuiltFacts) -> list[Verdict]:
    """The rig's tolerances against the result, and the result as a whole."""
    tolerance = parts.rig.tolerance
    p95, told = _p95_mm(parts.verification.after), _objections(parts)
    counts = len(told.failures), len(told.not_proven)
    return [
        Verdict(
            what="Content on the table, 95 % of the check dots within",
            found=quantity(p95, "mm"),
            asked=f"at most {tolerance.content_p95_mm:g}\u00a0mm",
            state=_state(p95, tolerance.content_p95_mm),
        ),
        _mirror_verdict(tolerance.figure_rms_um, facts),
        Verdict(
            what="Everything known, taken together",
            found="{} against it, {} not proven".format(*counts) if any(counts) else "nothing against it",
            asked="nothing against it",
            state=told.state,
        ),
    ]


def _objections(parts: ResultParts) -> verdict.Verdict:
    """What speaks against the result, and what keeps it from being sure: by the fit, the check, and the budget."""
    fit, check = (part.verdict or VerdictRecord() for part in (parts.fit, parts.verification))
    unsure = [*fit.not_proven, *check.not_proven]
    if not math.isfinite(_p95_mm(parts.verification.after)):
        unsure.append("the picture on the table has not been measured: run rigwarp verify")
    budget, limit = parts.budget, parts.rig.tolerance.content_p95_mm
    if budget.expanded_mm > limit:
        unsure.append(
            f"a spot of the picture is uncertain by ± {quantity(budget.expanded_mm, 'mm', 2)} (k = 2), more than the "
            f"{limit:g} mm asked for, mostly by {' and '.join(budget.largest)}"
        )
    elif not budget.camera_known:
        unsure.append("the camera's own uncertainty is not known: camera.json states no covariance")
    return verdict.Verdict(failures=(*fit.failures, *check.failures), not_proven=tuple(unsure))


def _about_all(parts: ResultParts) -> str:
    """The verdict of the page in a sentence."""
    told = _objections(parts)
    because = told.failures or told.not_proven
    accepted = " Somebody has made it current all the same." if (parts.fit.verdict or VerdictRecord()).accepted else ""
    return f"Verdict: {told.state}{', because ' if because else ''}{'; and '.join(because)}.{accepted}"


def _mirror_verdict(limit_um: float, facts: AsBuiltFacts) -> Verdict:
    """Where the data leave the power open, only what is bad without it can be judged."""
    found, state = quantity(facts.figure_rms_um, "µm"), _state(facts.figure_rms_um, limit_um)
    if not facts.power_told and math.isfinite(facts.figure_rms_um):
        found = f"{quantity(facts.rms_without_power_um, 'µm')} without power; power not told"
        state = "fail" if facts.rms_without_power_um > limit_um else "undecided"
    asked = f"at most {limit_um:g}\u00a0µm"
    return Verdict(what="Mirror, built minus design, rms", found=found, asked=asked, state=state)


def summary_sentences(parts: ResultParts, facts: AsBuiltFacts) -> list[str]:
    """The result in words."""
    said = [_about_all(parts), _about_picture(parts), *_about_uncertainty(parts), _about_map(parts)]
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
            f"the rig asks for {limit_um:g} µm in all. Its power, that is its radius, the data do not tell; with the "
            f"most probable one the total is {total}."
        )
        if facts.decided_by and facts.rms_without_power_um <= limit_um:  # else the power changes nothing
            text += f" {sentence(facts.decided_by)}"
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
