"""How much of a built mirror's ripple its material explains, by the sample that the rig names."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rigwarp.errors import InputError
from rigwarp.files import RigFolder
from rigwarp.files.records.samples import CycleRecord
from rigwarp.jobs.samples.bench_folder import cycles_of, open_bench_folder
from rigwarp.samples.bench import SampleBench

if TYPE_CHECKING:
    from rigwarp.as_built import AsBuilt


@dataclass(frozen=True, kw_only=True)
class MaterialSample:
    """The sample of a mirror's material: the bench it was measured on and its finished cycles, oldest first."""

    bench: SampleBench
    records: list[CycleRecord]


@dataclass(frozen=True, kw_only=True)
class MaterialShare:
    """One finding on the built mirror beside the sample's figure; slopes in mrad rms.

    Attributes
    ----------
    finding : "fine ripple" (blurs) or "ripple" (moves the picture).
    built_mrad, material_mrad : of the mirror as built, and of the sample in the same sort of waves.
    waves : which of the sample's waves were taken, with their limits.
    """

    finding: str
    built_mrad: float
    material_mrad: float
    waves: str

    @property
    def sentence(self) -> str:
        """For people."""
        explained = min(self.material_mrad, self.built_mrad)
        return (
            f"{self.finding}: the material alone explains {explained:.1f} of the {self.built_mrad:.1f} mrad "
            f"(its sample: {self.material_mrad:.1f} mrad, {self.waves})"
        )


def material_sample(folder: RigFolder) -> MaterialSample | None:
    """The sample that a rig names, to be read before a result is made; None where it names none.

    Raises
    ------
    InputError
        `[mirror] material` names no sample that was measured.
    """
    named = folder.rig.mirror.material
    if named is None:
        return None
    where = folder.root / named
    bench = open_bench_folder(where.parent)
    records = cycles_of(bench).get(where.name)
    if not records:
        bench.bench.sheet(where.name)
        measured = ", ".join(cycles_of(bench))
        raise InputError(
            f"rig.toml: mirror.material: found no measured sample {where.name} in {where.parent}, expected one of: "
            f"{measured}. Measure it (rigwarp samples measure {where.parent} {where.name}), or take the key out."
        )
    return MaterialSample(bench=bench.bench, records=records)


def material_shares(sample: MaterialSample | None, built: "AsBuilt | None") -> list[MaterialShare]:
    """The findings about ripple and blur of a built mirror, beside its material's; none without a sample."""
    if sample is None or built is None:
        return []
    found = []
    records = sample.records
    blur = _fine_slope(records, float(np.cos(sample.bench.angle_rad)))
    for ripple in built.fine_ripples or ():
        waves = f"waves finer than the bench's beam of {sample.bench.footprint_mm:.1f} mm, scatter with them"
        found.append(
            MaterialShare(finding="fine ripple", built_mrad=ripple.slope_rms_mrad, material_mrad=blur, waves=waves)
        )
    if built.ripple is not None:
        slope = 2.0 * np.pi * built.ripple.amplitude_um / built.ripple.period_mm / np.sqrt(2.0)
        band = _band_of(records, built.ripple.period_mm)
        if band is not None:
            found.append(MaterialShare(finding="ripple", built_mrad=float(slope), material_mrad=band[0], waves=band[1]))
    return found


def _fine_slope(records: list[CycleRecord], cosine: float) -> float:
    """rms slope that would make the sample's blur, both directions together: a beam turns by twice the slope."""
    blur = np.nanmean([record.blur_mrad or (np.nan, np.nan) for record in records], axis=0)
    return float(np.linalg.norm(np.maximum(blur, 0.0) / np.array([2.0, 2.0 * cosine])))


def _band_of(records: list[CycleRecord], period_mm: float) -> tuple[float, str] | None:
    """rms slope in the band that holds a period, and its limits in words; None where none does."""
    for band in records[-1].bands:
        low, high = band.shortest_mm or np.inf, band.longest_mm or 0.0
        if low <= period_mm <= high:
            same = [one.rms_mrad for r in records for one in r.bands if one.shortest_mm == band.shortest_mm]
            rms = np.mean([np.linalg.norm(one) for one in same if one is not None])
            return float(rms), f"waves of {low:.1f} to {high:.1f} mm"
    return None
