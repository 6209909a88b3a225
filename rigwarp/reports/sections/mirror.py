"""Report chapter on the built mirror: how it strays from the design, and what the data cannot tell."""

from dataclasses import replace

import numpy as np

from rigwarp.as_built.describe.workshop_hints import workshop_hint
from rigwarp.geometry.zernike import term_name
from rigwarp.reports.figures.mirror import OnThePart, deviation_map, slope_maps, without_power, zernike_bars
from rigwarp.reports.result_parts import ResultParts
from rigwarp.reports.sections.as_built_facts import AsBuiltFacts
from rigwarp.reports.sections.page import Picture, Rows, Section
from rigwarp.reports.wording import sentence, with_sigma
from rigwarp.words import number

_SURE = 2.0  # a term is worth a hint when it is this many sigma from zero


def mirror_section(parts: ResultParts, facts: AsBuiltFacts) -> Section:
    """The chapter that rests on as_built.json and as_built.npz."""
    # plain names and values are of use to experts only; tables with more columns are lists of findings
    others = [replace(one, detail=all(len(row) == 2 for row in one.rows)) for one in facts.others]
    tables = [facts.findings, facts.figures, _zernike_table(facts), facts.mounting, *others]
    missing = [
        f"{what} of the built mirror: {parts.missing[name]}."
        for what, name in (("Figures", "as-built figures"), ("Maps", "as-built mirror"))
        if name in parts.missing
    ]
    if not (facts.zernike or missing):
        missing.append("No Zernike terms in as_built.json.")
    return Section(
        anchor="mirror",
        title="The mirror as built",
        paragraphs=_paragraphs(facts),
        tables=[table for table in tables if table is not None],
        pictures=_pictures(parts, facts),
        points=facts.unobservable,
        missing=missing,
        pictures_first=True,
    )


def _paragraphs(facts: AsBuiltFacts) -> list[str]:
    text = [
        "Built minus design along the mirror's z axis, after the best rigid alignment; plus is towards the "
        "reflecting side. Only the part of the mirror that lights the table can be seen."
    ]
    if facts.unobservable:
        if facts.power_note:
            text.append(sentence(facts.power_note))
        text.append(
            "The data cannot tell the following; what is reported along these directions comes from the rig file's "
            "tolerances:"
        )
    return text


def _zernike_table(facts: AsBuiltFacts) -> Rows | None:
    by_term = dict.fromkeys(facts.untold_terms, ("not told", "", "see what the data cannot tell"))
    for n, m, value, sigma in facts.zernike:
        known = workshop_hint(n, m)
        sure = abs(value) > _SURE * sigma  # False where sigma is not known
        hint = "not distinguishable from zero" if np.isfinite(sigma) else ""
        if sure:
            hint = "" if known is None else known.cause
        by_term[n, m] = (*with_sigma(value, sigma, "µm"), hint)
    rows = [(term_name(*term), *by_term[term]) for term in sorted(by_term)]
    if not rows:
        return None
    return Rows(
        rows=rows,
        head=("Zernike term (n, m)", "rms", "1-sigma", "hint"),
        note="OSA/ANSI order and norm. The last column gives hints from common workshop practice, not a diagnosis. "
        "The terms are independent of each other only on a full disk; the rms of the whole is taken from the map.",
    )


def _pictures(parts: ResultParts, facts: AsBuiltFacts) -> list[Picture]:
    pictures = []
    grid = parts.as_built_grid
    side = parts.as_built.reflecting_side
    part = None if side is None else OnThePart.mounted(parts.rig.mirror, side)
    where = "" if part is None else f" {part.sentence}"
    if grid is not None and grid.height_um is not None:
        x, y = grid.x_mm, grid.y_mm
        pictures.append(
            Picture(
                png=deviation_map(x, y, grid.height_um, grid.height_sigma_um, part=part),
                alt="Map of the mirror's height deviation with two sections through its middle; rms "
                f"{number(facts.figure_rms_um)} micrometres.",
                caption="Red: the built mirror stands out towards the light; blue: it lies back. Axes of the mirror's "
                f"own frame, that is of its CAD file; sections along the dashed lines with a band of 2-sigma.{where}",
            )
        )
        pictures.append(
            Picture(
                png=deviation_map(
                    x, y, without_power(x, y, grid.height_um), title="Built minus design, without power", part=part
                ),
                alt="The same map of the mirror's height deviation after taking out the best-fitting power.",
                caption="The same without power (and the shift and tilt that go with it): what bending, dents and "
                "ripple look like whatever the mirror's radius is.",
            )
        )
    if grid is not None and grid.slope_x_mrad is not None and grid.slope_y_mrad is not None:
        pictures.append(
            Picture(
                png=slope_maps(grid.x_mm, grid.y_mm, grid.slope_x_mrad, grid.slope_y_mrad, part=part),
                alt="Maps of the mirror's slope deviation along x and along y.",
                caption="Slope deviation: what moves the light. A slope error of 1 mrad turns the reflected ray by 2 "
                "mrad.",
            )
        )
    if facts.zernike:
        largest = max(facts.zernike, key=lambda term: abs(term[2]))
        pictures.append(
            Picture(
                png=zernike_bars(facts.zernike),
                alt=f"Bars of the Zernike terms; the largest is {term_name(largest[0], largest[1])} with "
                f"{number(largest[2])} micrometres.",
                caption="The deviation split into Zernike terms; a bar is the term's rms over the full disk.",
            )
        )
    return pictures
