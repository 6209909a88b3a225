"""Report chapter on uncertainty: the budget by cause and region, the check grid's verdict on it, the map's sigma."""

import math
from collections.abc import Sequence

import numpy as np

from rigwarp.files.records import BudgetRecord, CheckRecord
from rigwarp.files.records.record import Text
from rigwarp.geometry import PixelMap
from rigwarp.reports.figures import table_map as figures_map
from rigwarp.reports.figures.causes import budget_bars
from rigwarp.reports.measures.table_raster import TableRaster
from rigwarp.reports.result_parts import ResultParts
from rigwarp.reports.sections.page import Picture, Rows, Section
from rigwarp.reports.wording import as_number, plain_value, quantity, share
from rigwarp.rig import Rig, inside_content
from rigwarp.words import number

_THIRDS = ("centre", "middle", "rim")
_PART_WORDS = {"repeatable": "differs from run to run", "common": "the same in scan and check"}


def uncertainty_section(parts: ResultParts, table_map: PixelMap, raster: TableRaster) -> Section:
    """The chapter that rests on budget.json and the map's sigma."""
    budget = parts.budget
    missing, tables, pictures = [], [], []
    if budget.causes and budget.regions:
        how = [
            (plain_value(one.name), plain_value(one.how), _PART_WORDS.get(one.part or "", plain_value(one.part)))
            for one in budget.causes
        ]
        head = ("Cause", "how it was evaluated", "scan against check")
        tables = [_budget_table(budget), *_check_table(budget.check_grid), Rows(rows=how, head=head, detail=True)]
        pictures = [_bars(budget)]
    else:
        missing.append(
            f"Budget: {parts.missing.get('budget', 'no causes in budget.json')}. Fit the scan again: rigwarp fit"
        )
    if not budget.camera_known:
        missing.append(
            "The camera's part: camera.json states no covariance, so lens, pose, print scale and sheet height are not "
            "in the budget, and its sums are too small. Calibrate the camera here: rigwarp camera"
        )
    sigma = _sigma_picture(table_map, parts.rig, raster)
    return Section(
        anchor="uncertainty",
        title="Uncertainty",
        paragraphs=_paragraphs(budget, parts.fit.put_right),
        tables=tables,
        pictures=pictures + ([sigma] if sigma else []),
        missing=missing + ([] if sigma else ["No pixel lights the content area."]),
    )


def _paragraphs(budget: BudgetRecord, put_right: Sequence[str]) -> list[str]:
    text = []
    if math.isfinite(budget.expanded_mm) and budget.camera_known:
        text.append(
            f"Over the content area a spot of the picture is where it should be within ± "
            f"{quantity(budget.expanded_mm, 'mm', 2)} along each axis of the table (expanded uncertainty, k = 2, about "
            "95 %), if nothing has moved since the scan. That is absolute, against a perfect ruler on the table. "
            f"Most of it comes from: {', '.join(budget.largest)}."
        )
        text.append(
            "Causes that are the same in scan and check, such as the printed sheet's scale, cancel in the residuals of "
            "the check grid: it can confirm only the others, and is compared with these alone."
        )
    if put_right:
        text.append(f"Put right in the photographs: {'; '.join(put_right)}. What that leaves is in the budget.")
    return text


def _budget_table(budget: BudgetRecord) -> Rows:
    regions = sorted(budget.regions, key=lambda region: _THIRDS.index(region.name) if region.name in _THIRDS else 3)

    def values(key: Text) -> list[str]:
        return [quantity(1000.0 * region.of_key(key), "µm", 2) for region in regions]

    totals = {
        "repeatable": "together, from run to run",
        "common": "together, the same in scan and check",
        "combined": "all combined",
        "expanded": "expanded, k = 2",
    }
    return Rows(
        rows=[
            *((plain_value(one.name), *values(one.key), plain_value(one.kind)) for one in budget.causes),
            *((words, *values(key), "") for key, words in totals.items()),
        ],
        head=("1-sigma per axis", *(plain_value(region.name) for region in regions), "type"),
        note="After JCGM 100 (GUM): type A by statistics, type B by other knowledge; combined as the root of the sum "
        "of squares. Centre, middle and rim: thirds of the way from the content's middle to its edge; root mean square "
        "over each.",
        strong=len(totals),
    )


def _check_table(check: CheckRecord | None) -> list[Rows]:
    if check is None:
        return []
    predicted = quantity(1000.0 * as_number(check.predicted_mm), "µm", 2)
    rows = [
        ("check dots", number(check.n)),
        ("residual per axis, rms", quantity(1000.0 * as_number(check.rms_mm), "µm", 2)),
        ("predicted by scan, mesh and the finding of the dots", predicted),
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


def _bars(budget: BudgetRecord) -> Picture:
    order = [one for part in _PART_WORDS for one in budget.causes if one.part == part]
    divider = sum(one.part == "repeatable" for one in order)
    shown = [region for region in budget.regions if region.name in _THIRDS] or budget.regions[:3]
    bars = {plain_value(region.name): [1000.0 * region.of_key(one.key) for one in order] for region in shown}
    names = [plain_value(one.name) for one in order]
    return Picture(
        png=budget_bars(names, bars, divider=divider if 0 < divider < len(order) else None),
        alt=f"Bars of what each cause contributes at {', '.join(bars)}; the largest are {', '.join(budget.largest)}.",
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
