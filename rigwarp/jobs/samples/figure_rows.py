"""A cycle's figures as lines for people, each with its unit, uncertainty and origin; and as columns to compare."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from rigwarp.files.records.samples import CycleRecord
from rigwarp.samples.closed_forms import rough_scatter

_COLOURS: Final = ("red", "green", "blue")
_SIDES: Final = ("in the plane of incidence", "across it")
_UNTOLD: Final = 0.02  # of the main image's strength: a doubt in which no companion can be told

_RED_NM, _BLUE_NM = 650.0, 450.0  # of most projectors


@dataclass(frozen=True, kw_only=True)
class Column:
    """A figure by which samples are compared.

    Attributes
    ----------
    key : its name in JSON and CSV.
    words : what it is; unit : of the value as shown, which is the stored one times `scale`.
    within : the key in [same] of what does not matter, and by how much it counts here.
    value, sigma : from a record to the figure and to its own 1-sigma; NaN where it has none.
    mends : whether the prewarp corrects it.
    """

    key: str
    words: str
    unit: str
    within: str
    value: Callable[[CycleRecord], float]
    sigma: Callable[[CycleRecord], float]
    scale: float = 1.0
    mends: bool = False


def _pick(values: tuple[float, ...] | None, index: int) -> float:
    return float(values[index]) if values is not None and len(values) > index else float("nan")


def _mean(values: tuple[float, ...] | None) -> float:
    return float(np.mean(values)) if values else float("nan")


def untold(record: CycleRecord) -> bool:
    """Whether a double image could hide in how unlike lines are spread."""
    return not record.double_seen and (record.double_sigma or 0.0) > _UNTOLD


def _double_strength(record: CycleRecord) -> float:
    return float("nan") if untold(record) else max(record.double_front or 0.0, record.double_third or 0.0)


def _waves(record: CycleRecord, index: int, key: str = "rms_mrad") -> float:
    if record.formed or len(record.bands) <= index:
        return float("nan")
    return float(np.linalg.norm(getattr(record.bands[index], key) or (np.nan,)))


COLUMNS: Final = (
    Column(key="blur_in_mrad", words="blur in the plane", unit="mrad", within="blur_mrad",
           value=lambda r: _pick(r.blur_mrad, 0), sigma=lambda r: _pick(r.blur_sigma_mrad, 0)),
    Column(key="blur_across_mrad", words="blur across the plane", unit="mrad", within="blur_mrad",
           value=lambda r: _pick(r.blur_mrad, 1), sigma=lambda r: _pick(r.blur_sigma_mrad, 1)),
    Column(key="veil", words="veil beyond 8 mrad", unit="%", within="veil", scale=100.0,
           value=lambda r: _pick(r.veil, 2), sigma=lambda r: _pick(r.veil_sigma, 2)),
    Column(key="double", words="double image", unit="%", within="veil", scale=100.0,
           value=_double_strength, sigma=lambda r: np.nan if r.double_sigma is None else r.double_sigma),
    Column(key="waves_mrad", words="waves to 20 mm", unit="mrad", within="slope_mrad", mends=True,
           value=lambda r: _waves(r, 0), sigma=lambda r: _waves(r, 0, "sigma_mrad")),
    Column(key="long_waves_mrad", words="longer waves", unit="mrad", within="slope_mrad", mends=True,
           value=lambda r: _waves(r, 1), sigma=lambda r: _waves(r, 1, "sigma_mrad")),
    Column(key="reflectance", words="reflectance", unit="%", within="reflectance", scale=100.0,
           mends=True, value=lambda r: _mean(r.reflectance), sigma=lambda r: _mean(r.reflectance_sigma)),
)  # fmt: skip
"""What cannot be corrected first."""


def cycle_rows(record: CycleRecord) -> list[tuple[str, str, str, str]]:
    """Figure, value, 1-sigma and origin of everything in a record."""
    rows = [
        (f"reflectance, {colour}", f"{_pick(record.reflectance, i):.4f} of the reference's",
         f"{_pick(record.reflectance_sigma, i):.4f}", f"white in {colour} light, waves' ripple taken out")
        for i, colour in enumerate(_COLOURS)
    ]  # fmt: skip
    share = record.uneven_p95_p5
    uneven = "not told: waves crowd the light" if share is None else f"{100 * share:.1f} %"
    rows.append(
        ("unevenness", uneven, "",
         f"the same by place, its middle 90 %; finer than {record.uneven_from_mm or 5:.1f} mm smoothed")
    )  # fmt: skip
    for i, side in enumerate(_SIDES):
        rows.append(
            (f"blur {side}", f"{_pick(record.blur_mrad, i):+.3f} mrad", f"{_pick(record.blur_sigma_mrad, i):.3f}",
             f"stripes of 4 to 16 px; edge / stripes {_pick(record.edge_against_stripes, i):.3f}")
        )  # fmt: skip
    for mrad, veil, sigma in zip(
        record.veil_beyond_mrad or (), record.veil or (), record.veil_sigma or (), strict=False
    ):
        found = f"{100 * veil:+.2f} %" if np.isfinite(veil) else "not told: blur reaches as far"
        rows.append((f"veil beyond {mrad:g} mrad", found, f"{100 * sigma:.2f} %", "dark discs"))
    rows.append(("colour of the veil", *_haze(record)))
    for band in record.bands:
        rms, spread = band.rms_mrad or (np.nan, np.nan), band.sigma_mrad or (np.nan, np.nan)
        rows.append(
            (f"waves {band.shortest_mm:.1f} to {band.longest_mm:.1f} mm", f"{rms[0]:.3f} and {rms[1]:.3f} mrad rms",
             f"{spread[0]:.3f}, {spread[1]:.3f}", "landing of projector pixels, in and across; Hann window")
        )  # fmt: skip
    return [*rows, _direction(record), _form(record), _double(record), _specks(record)]


_VEILS: Final = {
    (True, False): "slopes, dust or scratches",
    (False, True): "roughness",
    (True, True): "slopes and roughness",
    (False, False): "slopes or roughness, not decided",
}
"""By whether roughness alone and slopes alone are further off than two 1-sigmas."""


def _haze(record: CycleRecord) -> tuple[str, str, str]:
    red, blue = _pick(record.haze_red_blue, 0), _pick(record.haze_red_blue, 1)
    sigma = record.haze_sigma or float("nan")
    if red < 3 * sigma or blue < 3 * sigma:
        return "too little veil to tell", "", "discs in red and blue"
    share = blue / red
    spread = share * float(np.hypot(sigma / red, sigma / blue))
    rough = rough_scatter(1.0, _BLUE_NM)[0] / rough_scatter(1.0, _RED_NM)[0]
    kind = _VEILS[share + 2.0 * spread < rough, share - 2.0 * spread > 1.0]
    return f"blue / red {share:.2f}: {kind}", f"{spread:.2f}", f"discs in red and blue; roughness alone: {rough:.1f}"


def _direction(record: CycleRecord) -> tuple[str, str, str, str]:
    coherence = record.coherence or 0.0
    found = "none stands out" if coherence < 0.4 else f"crests along {record.crests_deg or 0.0:.0f}°"
    return "direction of rolling", found, "", f"covariance of slopes, coherence {coherence:.2f}"


def _form(record: CycleRecord) -> tuple[str, str, str, str]:
    bow = record.bow_per_m or (np.nan, np.nan, np.nan)
    found = f"bow {bow[0]:+.3f}, {bow[1]:+.3f}, twist {bow[2]:+.3f} per m"
    return "form, not ranked", found, f"{record.bow_sigma_per_m or 0.0:.3f}", "second-order fit to the slopes"


def _double(record: CycleRecord) -> tuple[str, str, str, str]:
    if untold(record):
        return "double image", "not told: lines are spread unlike in the two directions", "", "single-pixel lines"
    if not record.double_seen:
        return (
            "double image", f"none seen beyond {record.double_from_mm or 0.0:.2f} mm",
            f"{100 * (record.double_sigma or 0.0):.2f} %", "single-pixel lines",
        )  # fmt: skip
    front, third = 100 * (record.double_front or 0.0), 100 * (record.double_third or 0.0)
    found = f"at {record.double_mm:.2f} mm: front {front:.1f} %, third beam {third:.1f} %"
    each = (100 * (one or 0.0) for one in (record.double_sigma, record.double_third_sigma))
    sigma = f"{record.double_sigma_mm:.2f} mm, {', '.join(f'{one:.2f}' for one in each)} %"
    return "double image", found, sigma, "single-pixel lines, in the plane of incidence"


def _specks(record: CycleRecord) -> tuple[str, str, str, str]:
    grades = ", ".join(f"{one.grade_mm:.2f}" for one in record.specks[:6])
    found = f"{len(record.specks)} (sqrt area {grades} mm)" if record.specks else "none"
    least, worst = record.least_speck_mm or 0.0, record.speck_everywhere_mm or record.least_speck_mm or 0.0
    seen = f"seen from {least:.2f} mm" + (f", {worst:.2f} mm where waves crowd light most" if worst > least else "")
    return "specks and scratches", found, "", f"lost area; {seen}"
