"""A cycle's figures as they are written to cycle.json: angles in mrad, bow per metre."""

import numpy as np

from rigwarp.files.records.samples import CycleRecord, SlopeBandRecord, SpeckRecord
from rigwarp.geometry import Array
from rigwarp.samples.bench import SampleBench, Sheet
from rigwarp.samples.cycle import CycleFigures
from rigwarp.samples.frames import DISC_MRAD


def record_of(
    bench: SampleBench, sheet: Sheet, figures: CycleFigures, *, measured_utc: str, bench_hash: str, turned: bool
) -> CycleRecord:
    """The record of a finished cycle."""
    double = figures.double
    specks = figures.specks
    edge = [side for pair in figures.pairs for side in pair.edge]
    return CycleRecord(
        sample=sheet.name,
        measured_utc=measured_utc,
        bench_hash=bench_hash,
        formed=sheet.formed,
        turned=turned,
        reflectance=_numbers(figures.reflectance),
        reflectance_sigma=_numbers(figures.reflectance_sigma),
        uneven_p95_p5=_known([pair.uneven_share for pair in figures.pairs]),
        uneven_rms=_known([pair.uneven_rms for pair in figures.pairs]),
        uneven_from_mm=max(bench.footprint_mm, 5.0),
        blur_mrad=_numbers(figures.blur_mrad),
        blur_sigma_mrad=_numbers(figures.blur_sigma_mrad),
        blur_variance_mm2=_numbers(figures.variance_mm2),
        blur_variance_sigma_mm2=_numbers(figures.variance_sigma_mm2),
        edge_against_stripes=tuple(float(np.mean([e / s for e, s in edge[k::2]])) for k in (0, 1)),
        veil_beyond_mrad=tuple(float(mrad) for mrad in DISC_MRAD),
        veil=_numbers(figures.veil),
        veil_sigma=_numbers(figures.veil_sigma),
        haze_red_blue=_numbers(figures.haze),
        haze_sigma=figures.haze_sigma,
        bands=tuple(
            SlopeBandRecord(
                shortest_mm=band.shortest_mm,
                longest_mm=band.longest_mm,
                rms_mrad=_numbers(1000.0 * band.rms_rad),
                sigma_mrad=_numbers(1000.0 * band.sigma_rad),
            )
            for band in figures.bands
        ),
        crests_deg=figures.direction.crests_deg,
        coherence=figures.direction.coherence,
        bow_per_m=_numbers(1000.0 * figures.form.bow_per_mm),
        bow_sigma_per_m=1000.0 * figures.form.bow_sigma_per_mm,
        double_seen=double.seen,
        double_mm=double.distance_mm if double.seen else None,
        double_sigma_mm=double.distance_sigma_mm if double.seen else None,
        double_front=double.front,
        double_third=double.third,
        double_sigma=double.front_sigma,
        double_third_sigma=double.third_sigma,
        double_from_mm=double.nearest_mm,
        specks=tuple(
            SpeckRecord(
                x_mm=one.x_mm,
                y_mm=one.y_mm,
                area_mm2=one.area_mm2,
                area_sigma_mm2=one.area_sigma_mm2,
                grade_mm=one.grade_mm,
            )
            for one in specks.dark
        ),
        least_speck_mm=specks.least_mm,
        speck_everywhere_mm=specks.everywhere_mm,
        closure=_numbers(figures.closure.log_ratio),
        closure_shift_px=figures.closure.shift_px,
        closure_good=figures.closure.good,
    )


def _known(values: list[float]) -> float | None:
    return float(np.mean(values)) if np.isfinite(values).all() else None


def _numbers(values: Array) -> tuple[float, ...]:
    return tuple(float(value) for value in values)
