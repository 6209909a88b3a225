"""What the report says of the built mirror, picked from as_built.json."""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from rigwarp.files.records.as_built import (
    AsBuiltRecord,
    FindingRecord,
    FormRecord,
    PoseEntry,
    PoseRecord,
    PowerRecord,
)
from rigwarp.files.records.record import Number
from rigwarp.reports.sections.page import Rows
from rigwarp.reports.wording import as_number, flat_rows, key_words, plain_value, quantity, sentence, with_sigma

# Form quantities in words; letters in brackets as in ISO 10110-5 and ISO 14999-4.
_FIGURE_WORDS: Final = {
    "rms_um": ("total, rms (RMSt)", "µm"),
    "pv_um": ("total, peak to valley", "µm"),
    "pv_99_um": ("total, 99.8th minus 0.2nd percentile", "µm"),
    "power_pv_um": ("power, peak to valley (A)", "µm"),
    "rms_without_power_um": ("without power, rms (RMSi)", "µm"),
    "pv_without_power_um": ("without power, peak to valley (B)", "µm"),
    "rms_rotational_um": ("rotationally symmetric part of that, rms", "µm"),
    "rms_asymmetric_um": ("without any rotationally symmetric part, rms (RMSa)", "µm"),
    "slope_rms_mrad": ("slope, rms", "mrad"),
    "slope_rms_without_power_mrad": ("slope without power, rms", "mrad"),
    "noise_rms_um": ("1-sigma of the height, rms over the mirror", "µm"),
    "n": ("grid points", ""),
    "spacing_mm": ("grid spacing", "mm"),
}
_BLOCK_TITLES: Final = {
    "zernike": "Disk of the Zernike terms",
    "ripple_search": "Search for ripple",
    "fine_ripple": "Ripple finer than the beam (an estimate)",
    "fit": "Fit of mounting and figure",
    "sign": "Signs",
}
_ORIGIN_KEY = "from"
_MOVES = "moves the picture by"
HINTS: Final = "Causes and remedies are hints from common workshop practice, not diagnoses."


@dataclass(frozen=True, kw_only=True)
class AsBuiltFacts:
    """The as-built mirror in numbers, as far as the file has them; NaN or empty where it has not.

    Attributes
    ----------
    figure_rms_um : built minus design after the best rigid alignment.
    rms_without_power_um, noise_rms_um : the same without power; 1-sigma of the height, rms over the mirror.
    power_told : False where the data do not tell the mirror's power: then the total is no measurement either.
    power_note : what the file says about that.
    decided_by : what would tell it; empty where the file does not say.
    zernike : (n, m, um, 1-sigma um), OSA/ANSI order and norm, of the terms that have a value.
    untold_terms : (n, m) of those that the data do not tell.
    unobservable : directions that the data cannot tell, by name.
    findings : what a workshop can make of it; None where nothing stands out.
    figures, mounting, others : tables of further numbers.
    """

    figure_rms_um: float = math.nan
    rms_without_power_um: float = math.nan
    noise_rms_um: float = math.nan
    power_told: bool = True
    power_note: str = ""
    decided_by: str = ""
    zernike: list[tuple[int, int, float, float]] = field(default_factory=list)
    untold_terms: list[tuple[int, int]] = field(default_factory=list)
    unobservable: list[str] = field(default_factory=list)
    findings: Rows | None = None
    figures: Rows | None = None
    mounting: Rows | None = None
    others: list[Rows] = field(default_factory=list)


def read_facts(record: AsBuiltRecord) -> AsBuiltFacts:
    """Pick what the report says from as_built.json."""
    figures, power = record.figures or FormRecord(), record.power or PowerRecord()
    rms = figures.rms_um if figures.figure_rms_um is None else figures.figure_rms_um
    told = [(term.n, term.m, as_number(term.um), as_number(term.sigma_um)) for term in record.terms]
    return AsBuiltFacts(
        figure_rms_um=as_number(rms),
        rms_without_power_um=as_number(figures.rms_without_power_um),
        noise_rms_um=as_number(figures.noise_rms_um),
        power_told=power.determined is not False,
        power_note=power.note or "",
        decided_by=power.decided_by or "",
        zernike=[term for term in told if math.isfinite(term[2])],
        untold_terms=[term[:2] for term in told if not math.isfinite(term[2])],
        unobservable=list(record.unobservable),
        findings=_findings_table(record.findings),
        figures=_figures_table(rms, figures),
        mounting=None if record.pose is None else mounting_table(record.pose),
        others=_other_tables(record),
    )


def _figures_table(rms_um: Number, figures: FormRecord) -> Rows | None:
    """The form figures in words, the total rms on top whichever name it had; None when there are none."""
    rows = []
    for name, (words, unit) in _FIGURE_WORDS.items():
        value = getattr(figures, name) if name != "rms_um" else rms_um if math.isfinite(as_number(rms_um)) else None
        if value is not None:
            untold = isinstance(value, float) and math.isnan(value)
            rows.append((words, "not told by the data" if untold else quantity(value, unit).strip()))
    rows += flat_rows(figures.more)
    return Rows(rows=rows, head=("Deviation", ""), note=sentence(figures.from_)) if rows else None


def _findings_table(found: Sequence[FindingRecord]) -> Rows | None:
    """The findings in workshop words, the one that moves the picture most first; None when there are none."""
    rows = [
        [plain_value(one.what), _moves(one), *map(plain_value, (one.cause, one.remedy, one.prewarp))] for one in found
    ]
    if not rows:
        return None
    return Rows(
        rows=rows,
        head=("What was found", _MOVES, "likely cause (hint)", "remedy (hint)", "the picture's warp"),
        note=f"{HINTS} How far a finding moves the picture is its slope, taken twice, times the light's way "
        "to the table.",
    )


def _moves(finding: FindingRecord) -> str:
    """How far it moves the picture; or what it does instead."""
    size, effect = quantity(finding.moves_mm, "mm"), finding.effect or _MOVES
    return size if effect == _MOVES else f"{effect} {size}"


def _other_tables(record: AsBuiltRecord) -> list[Rows]:
    """One table for each remaining object or list of objects, one for all single values."""
    tables, single = [], {}
    for key, value in {"zernike": record.disk or {}, **record.more}.items():
        if isinstance(value, Mapping):
            rows = flat_rows({k: v for k, v in value.items() if k != _ORIGIN_KEY})
            if rows:
                title = _BLOCK_TITLES.get(key, key_words(key).capitalize())
                tables.append(Rows(rows=rows, head=(title, ""), note=sentence(value.get(_ORIGIN_KEY))))
        elif isinstance(value, list) and value and all(isinstance(item, Mapping) for item in value):
            names = list(value[0])
            cells = [[plain_value(item.get(name)) for name in names] for item in value]
            tables.append(Rows(rows=cells, head=[key_words(name) for name in names]))
        else:
            single[key] = "none stands out" if key == "ripple" and value is None else value
    return tables + ([Rows(rows=flat_rows(single), head=("Further figures", ""))] if single else [])


_FAR = 2.0  # tolerances from the design: worth a look at the rig file or the mounting
_MRAD_IN_DEG = math.degrees(1e-3)
# Unit in a key -> the unit that a report shows, and the factor to it.
_SHOWN = {"mm": ("mm", 1.0), "mrad": ("°", _MRAD_IN_DEG), "share": ("%", 100.0)}
_UNIT = re.compile(r"_(mm|mrad|share)(?=_|$)")


def mounting_table(pose: PoseRecord) -> Rows | None:
    """The mounting; None when nothing is known of it. What is no entry is listed as it stands."""
    rows = [_row(key, entry) for key, entry in pose.entries.items()]
    rows += [(name, value, "", "", "") for name, value in flat_rows(pose.more)]
    if not rows:
        return None
    return Rows(
        rows=rows,
        head=("How it is mounted, against rig.toml", "found", "1-sigma", "tolerance", ""),
        note=f"Shifts and turns along table axes, turns about the parts' own origins. {sentence(pose.from_)}".strip(),
    )


def _row(key: str, entry: PoseEntry) -> tuple[str, str, str, str, str]:
    match = _UNIT.search(key)
    unit, factor = _SHOWN[match.group(1)] if match else ("", 1.0)
    name = key_words(_UNIT.sub("", key))
    value, sigma, tolerance = (factor * as_number(one) for one in (entry.value, entry.sigma, entry.tolerance))
    allowed = quantity(tolerance, unit, 2)
    if not math.isfinite(value):
        return name, "not told by the data", "", allowed, ""
    away = abs(value) / tolerance if tolerance > 0.0 else math.nan
    remark = f"{away:.1f} tolerances away" if away > _FAR else ""
    return name, *with_sigma(value, sigma, unit), allowed, remark
