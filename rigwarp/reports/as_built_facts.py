"""What the report says of the built mirror, picked from as_built.json; and what a deviation may mean in a workshop."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from rigwarp.reports.wording import as_number, flat_rows, plain_value

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


@dataclass(frozen=True, kw_only=True)
class AsBuiltFacts:
    """The as-built mirror in numbers, as far as the file has them; NaN or empty where it has not.

    Attributes
    ----------
    figure_rms_um : built minus design after the best rigid alignment.
    zernike : (n, m, um, 1-sigma um), OSA/ANSI order and norm.
    unobservable : directions that the data cannot tell, by name.
    figures, pose, others : rows of further numbers.
    """

    figure_rms_um: float = math.nan
    zernike: list[tuple[int, int, float, float]] = field(default_factory=list)
    unobservable: list[str] = field(default_factory=list)
    figures: list[tuple[str, str]] = field(default_factory=list)
    pose: list[tuple[str, str]] = field(default_factory=list)
    others: list[tuple[str, str]] = field(default_factory=list)


def read_facts(contents: Mapping[str, Any]) -> AsBuiltFacts:
    """Pick the facts from the contents of as_built.json."""
    figures = contents.get("figures") if isinstance(contents.get("figures"), Mapping) else {}
    assert isinstance(figures, Mapping)
    rms = next((v for k, v in (*contents.items(), *figures.items()) if k in _RMS_KEYS), math.nan)
    pose = {k: v for k, v in contents.items() if "pose" in k or "shift" in k or "turn" in k}
    taken = {"figures", *_RMS_KEYS, "zernike", "unobservable", *pose}
    others = {k: v for k, v in contents.items() if k not in taken}
    return AsBuiltFacts(
        figure_rms_um=as_number(rms),
        zernike=_terms(contents.get("zernike")),
        unobservable=[
            plain_value(v.get("name", v) if isinstance(v, Mapping) else v) for v in contents.get("unobservable") or []
        ],
        figures=flat_rows(_figures_first(rms, figures)),
        pose=flat_rows(pose),
        others=flat_rows(others),
    )


def _figures_first(rms_um: Any, figures: Mapping[str, Any]) -> dict[str, Any]:
    """The figures with the rms on top, wherever it stood; nothing when there are none."""
    rest = {key: value for key, value in figures.items() if key not in _RMS_KEYS}
    return {"rms_um": rms_um, **rest} if rest or math.isfinite(as_number(rms_um)) else {}


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
