"""Report chapter on uncertainty: the budget by cause and region, the check grid's verdict on it, the map's sigma."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from rigwarp.files.records import BudgetCause, BudgetRecord, BudgetRegion, CheckRecord
from rigwarp.geometry import PixelMap
from rigwarp.reports.figures import table_map as figures_map
from rigwarp.reports.figures.causes import budget_bars
from rigwarp.reports.measures.table_raster import TableRaster
from rigwarp.reports.result_parts import ResultParts
from rigwarp.reports.sections.page import Picture, Rows, Section
from rigwarp.reports.wording import as_number, number, plain_value, quantity, share
from rigwarp.rig import Rig, inside_content

_WHOLE = "all"
_THIRDS = ("centre", "middle", "rim")
_PART_WORDS = {"repeatable": "differs from run to run", "common": "the same in scan and check"}


@dataclass(frozen=True, kw_only=True)
class BudgetFacts:
    """budget.json by cause and region.

    Attributes
    ----------
    causes : (key, name, kind, part, how).
    regions : name -> {key: 1-sigma per axis, mm}, with "repeatable", "common", "combined", "expanded" beside the keys.
    check : figures of the check grid; None without one.
    camera_known : False where the camera came without a covariance.
    """

    causes: tuple[tuple[str, str, str, str, str], ...]
    regions: Mapping[str, Mapping[str, float]]
    check: CheckRecord | None
    camera_known: bool

    @property
    def expanded_mm(self) -> float:
        """k = 2, per axis, over the whole content; NaN when not told."""
        return self._whole["expanded"] if self._whole else math.nan

    @property
    def largest(self) -> tuple[str, ...]:
        """Names of the two causes that contribute most."""
        ranked = sorted(self.causes, key=lambda cause: -self._whole.get(cause[0], -math.inf))
        return tuple(cause[1] for cause in ranked[:2])

    @property
    def _whole(self) -> Mapping[str, float]:
        return self.regions.get(_WHOLE, {})


def budget_facts(record: BudgetRecord) -> BudgetFacts:
    """Pick what the report says from budget.json."""
    return BudgetFacts(
        causes=tuple(_cause(cause) for cause in record.causes),
        regions={plain_value(region.name): _region(region) for region in record.regions},
        check=record.check_grid,
        camera_known=record.camera_covariance_known is not False,
    )


def _cause(cause: BudgetCause) -> tuple[str, str, str, str, str]:
    key, name, kind, part, how = map(plain_value, (cause.key, cause.name, cause.kind, cause.part, cause.how))
    return key, name, kind, part, how


def _region(region: BudgetRegion) -> dict[str, float]:
    return {
        **(region.sigma_mm or {}),
        "repeatable": as_number(region.repeatable_mm),
        "common": as_number(region.common_mm),
        "combined": as_number(region.combined_mm),
        "expanded": as_number(region.expanded_mm),
    }


def uncertainty_section(parts: ResultParts, table_map: PixelMap, raster: TableRaster) -> Section:
    """The chapter that rests on budget.json and the map's sigma."""
    facts = budget_facts(parts.budget)
    missing, tables, pictures = [], [], []
    if facts.causes and facts.regions:
        tables = [_budget_table(facts), *_check_table(facts), _how_table(facts)]
        pictures = [_bars(facts)]
    else:
        missing.append(
            f"Budget: {parts.missing.get('budget', 'no causes in budget.json')}. Fit the scan again: rigwarp fit"
        )
    if not facts.camera_known:
        missing.append(
            "The camera's part: camera.json states no covariance, so lens, pose, print scale and sheet height are not "
            "in the budget, and its sums are too small. Calibrate the camera here: rigwarp camera"
        )
    sigma = _sigma_picture(table_map, parts.rig, raster)
    return Section(
        anchor="uncertainty",
        title="Uncertainty",
        paragraphs=_paragraphs(facts),
        tables=tables,
        pictures=pictures + ([sigma] if sigma else []),
        missing=missing + ([] if sigma else ["No pixel lights the content area."]),
    )


def _paragraphs(facts: BudgetFacts) -> list[str]:
    text = []
    if math.isfinite(facts.expanded_mm) and facts.camera_known:
        text.append(
            f"Over the content area a spot of the picture is where it should be within ± "
            f"{quantity(facts.expanded_mm, 'mm', 2)} along each axis of the table (expanded uncertainty, k = 2, about "
            "95 %), if nothing has moved since the scan. That is absolute, against a perfect ruler on the table. "
            f"Most of it comes from: {', '.join(facts.largest)}."
        )
        text.append(
            "Causes that are the same in scan and check, such as the printed sheet's scale, cancel in the residuals of "
            "the check grid: it can confirm only the others, and is compared with these alone."
        )
    return text


def _budget_table(facts: BudgetFacts) -> Rows:
    names = list(dict.fromkeys(name for name in (*_THIRDS, *facts.regions) if name in facts.regions))

    def values(key: str) -> list[str]:
        return [quantity(1000.0 * facts.regions[region].get(key, math.nan), "µm", 2) for region in names]

    totals = {
        "repeatable": "together, from run to run",
        "common": "together, the same in scan and check",
        "combined": "all combined",
        "expanded": "expanded, k = 2",
    }
    return Rows(
        rows=[
            *((name, *values(key), kind) for key, name, kind, _, _ in facts.causes),
            *((words, *values(key), "") for key, words in totals.items()),
        ],
        head=("1-sigma per axis", *names, "type"),
        note="After JCGM 100 (GUM): type A by statistics, type B by other knowledge; combined as the root of the sum "
        "of squares. Centre, middle and rim: thirds of the way from the content's middle to its edge; root mean square "
        "over each.",
        strong=len(totals),
    )


def _how_table(facts: BudgetFacts) -> Rows:
    rows = [(name, how, _PART_WORDS.get(part, part)) for _, name, _, part, how in facts.causes]
    return Rows(rows=rows, head=("Cause", "how it was evaluated", "scan against check"), detail=True)


def _check_table(facts: BudgetFacts) -> list[Rows]:
    check = facts.check
    if check is None:
        return []
    rows = [
        ("check dots", number(check.n)),
        ("residual per axis, rms", quantity(1000.0 * as_number(check.rms_mm), "µm", 2)),
        (
            "predicted by scan, mesh and the finding of the dots",
            quantity(1000.0 * as_number(check.predicted_mm), "µm", 2),
        ),
        ("residuals within k = 2 of that prediction alone", share(check.inside_predicted)),
        ("residuals within k = 2 of the budget", share(check.inside)),
    ]
    return [
        Rows(
            rows=rows,
            head=("The check grid against the part that differs from run to run", ""),
            note="About 95 % are wanted. What the dots show beyond the prediction has a line of its own in the budget; "
            "in the last row each dot is judged by what its neighbours show, never by itself.",
        )
    ]


def _bars(facts: BudgetFacts) -> Picture:
    order = [c for part in _PART_WORDS for c in facts.causes if c[3] == part]
    divider = sum(c[3] == "repeatable" for c in order)
    shown = [r for r in _THIRDS if r in facts.regions] or list(facts.regions)[:3]
    regions = {r: [1000.0 * facts.regions[r].get(c[0], math.nan) for c in order] for r in shown}
    return Picture(
        png=budget_bars([c[1] for c in order], regions, divider=divider if 0 < divider < len(order) else None),
        alt=f"Bars of what each cause contributes at {', '.join(shown)}; the largest are {', '.join(facts.largest)}.",
        caption="The budget as bars. Above the dashed line what differs from run to run, below it what is the same in "
        "scan and check.",
    )


def _sigma_picture(table_map: PixelMap, rig: Rig, raster: TableRaster) -> Picture | None:
    inside = inside_content(rig.content, table_map.table_mm)
    sigma_um = 1000.0 * table_map.sigma_mm[inside & np.isfinite(table_map.sigma_mm)]
    if not sigma_um.size:
        return None
    median, high = (float(np.percentile(sigma_um, share)) for share in (50.0, 95.0))
    return Picture(
        png=figures_map.sigma_map(table_map, rig, raster=raster),
        alt=f"Map of the 1-sigma uncertainty over the table; median {number(median)} micrometres.",
        caption=f"1-sigma of the map's position per axis (sigma_mm in map.npz), median {quantity(median, 'µm')}, 95 % "
        f"below {quantity(high, 'µm')}: decoding, fit, camera lens and pose, the sheet's scale and height. The mesh of "
        "the warp and the table's own flatness are not in it. Where the camera came without a covariance, its part is "
        "missing. Hatched: inferred, not measured.",
    )
