"""What each sample would do on a given rig, by the light paths of its design."""

from dataclasses import dataclass

import numpy as np

from rigwarp.errors import MeasurementError
from rigwarp.files import RigFolder
from rigwarp.files.records.samples import CycleRecord
from rigwarp.jobs.design import design_map, design_model
from rigwarp.jobs.samples.bench_folder import BenchFolder, cycles_of
from rigwarp.reports.measures.pixel_scale import determinant, table_jacobian
from rigwarp.rig import inside_content
from rigwarp.samples.bench import SampleBench, Sheet
from rigwarp.samples.frames import middle_px
from rigwarp.samples.prediction import LightPath, Material, Prediction, Waves, predict

_EVERY = 16  # projector pixels between the places that are looked at


@dataclass(frozen=True, kw_only=True)
class Predicted:
    """Sample -> what it would do; and the paths it was worked out for."""

    samples: dict[str, Prediction]
    path: LightPath


def predict_on_rig(folder: BenchFolder, rig: RigFolder) -> Predicted:
    """Predictions for every sample that was measured.

    Raises
    ------
    InputError
        Nothing was measured yet.
    MeasurementError
        The rig's design lights no content.
    """
    path = light_path(rig)
    found = {
        name: predict(material_of(folder.bench, name, records), path) for name, records in cycles_of(folder).items()
    }
    return Predicted(samples=found, path=path)


def material_of(bench: SampleBench, name: str, records: list[CycleRecord]) -> Material:
    """Means over a sample's cycles."""
    sheet = bench.sheet(name)

    def mean(values: list[float]) -> float:
        told = [value for value in values if np.isfinite(value)]
        return float(np.mean(told)) if told else float("nan")

    variance = np.mean([record.blur_variance_mm2 or (np.nan, np.nan) for record in records], axis=0)
    longest = max((record.bands for record in records), key=len)
    waves = []
    for i, band in enumerate(longest):
        same = [np.square(r.bands[i].rms_mrad or (np.nan, np.nan)) for r in records if len(r.bands) > i]
        rms = np.sqrt(np.nanmean(same, axis=0)) / 1000.0
        if band.shortest_mm and band.longest_mm and np.isfinite(rms).all():
            waves.append(Waves(shortest_mm=band.shortest_mm, longest_mm=band.longest_mm, rms_rad=rms))
    return Material(
        blur_rad2=variance / bench.far_mm**2,
        veil=mean([(record.veil or (0.0,) * 5)[2] for record in records]),
        waves=tuple(waves),
        thickness_mm=sheet.thickness_mm,
        index=sheet.index,
        ghost=_ghost(bench, sheet, records),
        bench_rad=bench.angle_rad,
        beam_mm=bench.footprint_mm,
        pupil_mm=bench.pupil_mm,
    )


def _ghost(bench: SampleBench, sheet: Sheet, records: list[CycleRecord]) -> float:
    """Strength of the double image: as seen, or where it melts into the image what bench.toml's sheet makes."""
    seen = [max(one.double_front or 0.0, one.double_third or 0.0) for one in records if one.double_seen]
    if seen or not sheet.thickness_mm > 0.0:
        return float(np.mean(seen)) if seen else 0.0
    relative = np.mean([np.mean(one.reflectance or (np.nan,)) for one in records])
    whole = float(relative * bench.reference_reflectance.mean())
    strengths = bench.beams(sheet, middle_px(bench)[:1], whole)[1]
    return float(max(strengths[0], strengths[2]))


def light_path(rig: RigFolder) -> LightPath:
    """The paths of every so-manieth pixel that the design sends onto the content."""
    model, design = design_model(rig), design_map(rig)
    height, width = design.zone.shape
    u, v = np.meshgrid(np.arange(0, width, _EVERY), np.arange(0, height, _EVERY))
    pixels = np.stack([u.ravel(), v.ravel()], axis=-1)
    trace = model.trace(pixels.astype(float))
    area = np.abs(determinant(table_jacobian(design)))[pixels[:, 1], pixels[:, 0]]
    good = np.isfinite(trace.table_mm).all(axis=-1) & np.isfinite(area)
    good &= inside_content(rig.rig.content, np.nan_to_num(trace.table_mm, nan=1e9))
    if not good.any():
        raise MeasurementError(f"{rig.root}: the design lights none of its content. See: rigwarp trace {rig.root}")
    table_from_mirror = rig.rig.mirror.placement
    mirror = trace.mirror_mm[good] @ table_from_mirror.rotation.T + table_from_mirror.position_mm
    normal = trace.normal[good] @ table_from_mirror.rotation.T
    table = np.column_stack([trace.table_mm[good], np.full(np.count_nonzero(good), model.table_height_mm)])
    before, after = mirror - rig.rig.projector.placement.position_mm, table - mirror
    near, far = np.linalg.norm(before, axis=-1), np.linalg.norm(after, axis=-1)
    return LightPath(
        incidence_rad=np.arccos(np.clip(np.abs(np.sum(before * normal, axis=-1)) / near, 0.0, 1.0)),
        table_rad=np.arccos(np.clip(np.abs(after[:, 2]) / far, 1e-6, 1.0)),
        near_mm=near,
        far_mm=far,
        pixel_mm=np.sqrt(area[good]),
    )
