"""cycle.json: what one cycle of a mirror sample against the reference found."""

from dataclasses import dataclass
from typing import ClassVar

from rigwarp.files.records.record import Flag, Number, Numbers, Part, Record, Text


@dataclass(frozen=True, kw_only=True)
class SlopeBandRecord(Part):
    """rms optical slope of waves between two lengths, in the plane of incidence and across it."""

    shortest_mm: Number = None
    longest_mm: Number = None
    rms_mrad: Numbers = None
    sigma_mrad: Numbers = None


@dataclass(frozen=True, kw_only=True)
class SpeckRecord(Part):
    """Place on the mirror from the middle of what is seen, lost area, and its square root (ISO 10110-7)."""

    x_mm: Number = None
    y_mm: Number = None
    area_mm2: Number = None
    area_sigma_mm2: Number = None
    grade_mm: Number = None


@dataclass(frozen=True, kw_only=True)
class CycleRecord(Record):
    """Figures are relative to the reference; pairs are in the plane of incidence and across it; colours R, G, B.

    `turned` : the sample lay turned by 90 degrees.
    """

    FORMAT: ClassVar[str] = "rigwarp samples cycle"

    sample: Text = None
    measured_utc: Text = None
    bench_hash: Text = None
    formed: Flag = None
    turned: Flag = None
    reflectance: Numbers = None
    reflectance_sigma: Numbers = None
    uneven_p95_p5: Number = None
    uneven_rms: Number = None
    uneven_from_mm: Number = None
    blur_mrad: Numbers = None
    blur_sigma_mrad: Numbers = None
    blur_variance_mm2: Numbers = None
    blur_variance_sigma_mm2: Numbers = None
    edge_against_stripes: Numbers = None
    veil_beyond_mrad: Numbers = None
    veil: Numbers = None
    veil_sigma: Numbers = None
    haze_red_blue: Numbers = None
    haze_sigma: Number = None
    bands: tuple[SlopeBandRecord, ...] = ()
    crests_deg: Number = None
    coherence: Number = None
    bow_per_m: Numbers = None
    bow_sigma_per_m: Number = None
    double_seen: Flag = None
    double_mm: Number = None
    double_sigma_mm: Number = None
    double_front: Number = None
    double_third: Number = None
    double_sigma: Number = None
    double_third_sigma: Number = None
    double_from_mm: Number = None
    specks: tuple[SpeckRecord, ...] = ()
    least_speck_mm: Number = None
    speck_everywhere_mm: Number = None
    closure: Numbers = None
    closure_shift_px: Number = None
    closure_good: Flag = None
