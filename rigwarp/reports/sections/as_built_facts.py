"""What the report says of the built mirror, picked from as_built.json; and what a deviation may mean in a workshop."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from rigwarp.reports.sections.mounting_rows import mounting_table
from rigwarp.reports.sections.page import Rows
from rigwarp.reports.wording import as_number, flat_rows, key_words, plain_value, quantity

# Which deviation points where in a workshop. Common practice, not a diagnosis; springback as the usual cause of a wrong
# focal length: Andraka et al., ASME ES2009-90163.
WORKSHOP_HINTS: Final = {
    (0, 0): "height or distance; seldom observable",
    (1, -1): "angle of the mount, not shape",
    (1, 1): "angle of the mount, not shape",
    (2, -2): "twist",
    (2, 0): "wrong radius: springback, drawn too far or too little; or a wrong distance",
    (2, 2): "bent more one way: uneven clamping, grain of the sheet, fold off its axis",
    (3, -3): "three-point mounting",
    (3, 3): "three-point mounting",
    (3, -1): "shape tilted or shifted in its mount",
    (3, 1): "shape tilted or shifted in its mount",
    (4, -4): "four corners held",
    (4, 4): "four corners held",
    (4, 0): "wrong conic, flat centre or turned-down edge of a drawn part",
}
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
    "spacing_mm": ("grid spacing", "mm"),
    "n": ("grid points", ""),
}
_BLOCK_TITLES: Final = {
    "zernike": "Disk of the Zernike terms",
    "ripple_search": "Search for ripple",
    "fine_ripple": "Ripple finer than the beam (an estimate)",
    "fit": "Fit of mounting and figure",
    "sign": "Signs",
}
_RMS_KEYS = ("figure_rms_um", "rms_um")
_ORIGIN_KEY = "from"
_MOVES = "moves the picture by"


@dataclass(frozen=True, kw_only=True)
class AsBuiltFacts:
    """The as-built mirror in numbers, as far as the file has them; NaN or empty where it has not.

    Attributes
    ----------
    figure_rms_um : built minus design after the best rigid alignment.
    rms_without_power_um, noise_rms_um : the same without power; 1-sigma of the height, rms over the mirror.
    power_told : False where the data do not tell the mirror's power: then the total is no measurement either.
    power_note : what the file says about that.
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
    zernike: list[tuple[int, int, float, float]] = field(default_factory=list)
    untold_terms: list[tuple[int, int]] = field(default_factory=list)
    unobservable: list[str] = field(default_factory=list)
    findings: Rows | None = None
    figures: Rows | None = None
    mounting: Rows | None = None
    others: list[Rows] = field(default_factory=list)


def read_facts(contents: Mapping[str, Any]) -> AsBuiltFacts:
    """Pick the facts from the contents of as_built.json; what has another form than expected is left out."""
    figures = {key: value for key, value in contents.items() if key in (*_FIGURE_WORDS, *_RMS_KEYS)}
    figures |= _mapping(contents.get("figures"))
    rms = next((figures[key] for key in _RMS_KEYS if key in figures), math.nan)
    power = _mapping(contents.get("power"))
    zernike = contents.get("zernike")
    terms, untold = _terms(zernike.get("terms") if isinstance(zernike, Mapping) else zernike)
    unobservable = contents.get("unobservable")
    return AsBuiltFacts(
        figure_rms_um=as_number(rms),
        rms_without_power_um=as_number(figures.get("rms_without_power_um")),
        noise_rms_um=as_number(figures.get("noise_rms_um")),
        power_told=power.get("determined") is not False,
        power_note=plain_value(power.get("note") or ""),
        zernike=terms,
        untold_terms=untold,
        unobservable=[plain_value(item) for item in unobservable] if isinstance(unobservable, list) else [],
        findings=_findings_table(contents.get("findings")),
        figures=_figures_table(rms, figures),
        mounting=mounting_table(_mapping(contents.get("pose"))),
        others=_other_tables(contents),
    )


def _mapping(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def _figures_table(rms_um: Any, figures: Mapping[str, Any]) -> Rows | None:
    """The form figures in words, the total rms on top wherever it stood; None when there are none."""
    ordered = {"rms_um": rms_um} if math.isfinite(as_number(rms_um)) else {}
    ordered |= {key: value for key, value in figures.items() if key not in (*_RMS_KEYS, _ORIGIN_KEY)}
    rows = []
    for key, value in ordered.items():
        if key in _FIGURE_WORDS:
            words, unit = _FIGURE_WORDS[key]
            rows.append((words, "not told by the data" if value is None else quantity(value, unit).strip()))
        else:
            rows += flat_rows({key: value})
    return Rows(rows=rows, head=("Deviation", ""), note=_origin(figures)) if rows else None


def _findings_table(listed: Any) -> Rows | None:
    """The findings in workshop words, the one that moves the picture most first; None when there are none."""
    found = [entry for entry in listed if isinstance(entry, Mapping)] if isinstance(listed, list) else []
    rows = [
        (
            plain_value(entry.get("what")),
            _moves(entry),
            plain_value(entry.get("cause")),
            plain_value(entry.get("remedy")),
            plain_value(entry.get("prewarp")),
        )
        for entry in found
    ]
    if not rows:
        return None
    return Rows(
        rows=rows,
        head=("What was found", _MOVES, "likely cause (hint)", "remedy (hint)", "the picture's warp"),
        note="Causes and remedies are hints from common workshop practice, not diagnoses. How far a finding moves the "
        "picture is its slope, taken twice, times the light's way to the table.",
    )


def _moves(finding: Mapping[str, Any]) -> str:
    """How far it moves the picture; or what it does instead."""
    size, effect = quantity(finding.get("moves_mm"), "mm"), plain_value(finding.get("effect") or _MOVES)
    return size if effect == _MOVES else f"{effect} {size}"


def _other_tables(contents: Mapping[str, Any]) -> list[Rows]:
    """One table for each remaining object or list of objects, one for all single values."""
    taken = {"figures", "findings", "pose", "power", "unobservable", *_RMS_KEYS, *_FIGURE_WORDS}
    if isinstance(contents.get("zernike"), list):
        taken.add("zernike")
    tables, single = [], {}
    for key, value in contents.items():
        if key in taken:
            continue
        if isinstance(value, Mapping):
            rows = flat_rows({k: v for k, v in value.items() if k not in (_ORIGIN_KEY, "terms")})
            if rows:
                tables.append(
                    Rows(rows=rows, head=(_BLOCK_TITLES.get(key, key_words(key).capitalize()), ""), note=_origin(value))
                )
        elif isinstance(value, list) and value and all(isinstance(item, Mapping) for item in value):
            names = list(value[0])
            cells = [[plain_value(item.get(name)) for name in names] for item in value]
            tables.append(Rows(rows=cells, head=[key_words(name) for name in names]))
        else:
            single[key] = "none stands out" if key == "ripple" and value is None else value
    return tables + ([Rows(rows=flat_rows(single), head=("Further figures", ""))] if single else [])


def _origin(block: Mapping[str, Any]) -> str:
    """What a block of numbers was computed from, as a sentence."""
    text = block.get(_ORIGIN_KEY)
    return f"{text[0].upper()}{text[1:]}." if isinstance(text, str) and text else ""


def _terms(listed: Any) -> tuple[list[tuple[int, int, float, float]], list[tuple[int, int]]]:
    """Zernike terms from [n, m, um, sigma] lists or {n, m, um, sigma_um} objects: those with a value, those without."""
    told, untold = [], []
    for entry in listed if isinstance(listed, list) else []:
        if isinstance(entry, Mapping):
            entry = [entry.get("n"), entry.get("m"), entry.get("um"), entry.get("sigma_um", entry.get("sigma"))]
        if not (isinstance(entry, list) and len(entry) >= 3 and all(type(k) is int for k in entry[:2])):
            continue
        value, sigma = as_number(entry[2]), as_number(entry[3]) if len(entry) > 3 else math.nan
        if math.isfinite(value):
            told.append((entry[0], entry[1], value, sigma))
        else:
            untold.append((entry[0], entry[1]))
    return told, untold
