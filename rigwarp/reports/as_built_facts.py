"""What the report says of the built mirror, picked from as_built.json; and what a deviation may mean in a workshop."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from rigwarp.reports.wording import as_number, flat_rows, plain_value, quantity

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


_RMS_KEYS = ("figure_rms_um", "rms_um")

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


@dataclass(frozen=True, kw_only=True)
class AsBuiltFacts:
    """The as-built mirror in numbers, as far as the file has them; NaN or empty where it has not.

    Attributes
    ----------
    figure_rms_um : built minus design after the best rigid alignment.
    rms_without_power_um, noise_rms_um : the same without power; 1-sigma of the height, rms over the mirror.
    zernike : (n, m, um, 1-sigma um), OSA/ANSI order and norm.
    unobservable : directions that the data cannot tell, by name.
    figures, pose, others : rows of further numbers.
    """

    figure_rms_um: float = math.nan
    rms_without_power_um: float = math.nan
    noise_rms_um: float = math.nan
    zernike: list[tuple[int, int, float, float]] = field(default_factory=list)
    unobservable: list[str] = field(default_factory=list)
    figures: list[tuple[str, str]] = field(default_factory=list)
    pose: list[tuple[str, str]] = field(default_factory=list)
    others: list[tuple[str, str]] = field(default_factory=list)


def read_facts(contents: Mapping[str, Any]) -> AsBuiltFacts:
    """Pick the facts from the contents of as_built.json."""
    nested = contents.get("figures")
    figures = {key: value for key, value in contents.items() if key in (*_FIGURE_WORDS, *_RMS_KEYS)}
    figures |= nested if isinstance(nested, Mapping) else {}
    rms = next((figures[key] for key in _RMS_KEYS if key in figures), math.nan)
    pose = {k: v for k, v in contents.items() if "pose" in k or "shift" in k or "turn" in k}
    taken = {"figures", *_RMS_KEYS, *_FIGURE_WORDS, "zernike", "unobservable", *pose}
    others = {k: v for k, v in contents.items() if k not in taken}
    return AsBuiltFacts(
        figure_rms_um=as_number(rms),
        rms_without_power_um=as_number(figures.get("rms_without_power_um")),
        noise_rms_um=as_number(figures.get("noise_rms_um")),
        zernike=_terms(contents.get("zernike")),
        unobservable=[
            plain_value(v.get("name", v) if isinstance(v, Mapping) else v) for v in contents.get("unobservable") or []
        ],
        figures=_figure_rows(rms, figures),
        pose=flat_rows(pose),
        others=flat_rows(others),
    )


def _figure_rows(rms_um: Any, figures: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The form figures in words, the total rms on top wherever it stood; nothing when there are none."""
    ordered = {"rms_um": rms_um} if math.isfinite(as_number(rms_um)) else {}
    ordered |= {key: value for key, value in figures.items() if key not in _RMS_KEYS}
    rows = []
    for key, value in ordered.items():
        if key in _FIGURE_WORDS:
            words, unit = _FIGURE_WORDS[key]
            rows.append((words, quantity(value, unit).strip()))
        else:
            rows += flat_rows({key: value})
    return rows


def _terms(listed: Any) -> list[tuple[int, int, float, float]]:
    """Zernike terms from [n, m, um, sigma] lists or {n, m, um, sigma} objects; anything else is left out."""
    terms = []
    for entry in listed if isinstance(listed, list) else []:
        if isinstance(entry, Mapping):
            entry = [entry.get("n"), entry.get("m"), entry.get("um"), entry.get("sigma", entry.get("sigma_um"))]
        if isinstance(entry, list) and len(entry) >= 3 and all(type(k) is int for k in entry[:2]):
            value, sigma = as_number(entry[2]), as_number(entry[3]) if len(entry) > 3 else math.nan
            if math.isfinite(value):
                terms.append((entry[0], entry[1], value, sigma))
    return terms
