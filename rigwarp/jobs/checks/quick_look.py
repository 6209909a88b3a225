"""Quick looks at a running rig: taking one, keeping it with its result, reading it back."""

from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np

from rigwarp.camera import CameraModel
from rigwarp.devices import Bench, Frame
from rigwarp.errors import InputError, MeasurementError
from rigwarp.files import RigFolder, read_as_built, read_map, read_prewarp
from rigwarp.files.camera_file import camera_of
from rigwarp.files.names import AS_BUILT_ARRAYS_FILE, AS_BUILT_FILE, MAP_FILE, PREWARP_FILE, QUICK_FILE
from rigwarp.files.quick_file import read_quick_file, write_quick
from rigwarp.files.records import AsBuiltRecord, MapOrigin
from rigwarp.geometry import Photo
from rigwarp.jobs.design import design_model
from rigwarp.live import CpuRenderer
from rigwarp.prewarp import Prewarp
from rigwarp.table_map import invert, rig_tolerances
from rigwarp.table_map.registration import apply_shifts
from rigwarp.tracing import OpticalModel
from rigwarp.verification import (
    QuickState,
    ambient_light,
    figured_model,
    map_mounting,
    quick_pictures,
    quick_plan,
    read_quick,
)

_SAME_CAMERA = 1e-9  # relative: the same numbers, written and read


def quick_frames(folder: RigFolder, prewarp: Prewarp) -> list[Frame]:
    """The projector frames of a quick look through a result's warp; no correction by hand has a part in them."""
    with closing(CpuRenderer(prewarp)) as renderer:
        return [renderer.render(picture) for picture in quick_pictures(quick_plan(folder.rig.content))]


class Looker(Protocol):
    """Somebody who can show frames and photograph each."""

    @property
    def exposure_s(self) -> float | None:
        """The camera's exposure time, seconds; None when it is unknown."""

    def look(self, frames: Sequence[Frame], *, exposure_s: float = np.nan) -> list[Photo]:
        """One photograph per frame, at the exposure of an earlier look where that is known."""


@dataclass(frozen=True, kw_only=True)
class BenchLooker:
    """Looks with a display and a camera that nobody else uses."""

    bench: Bench

    @property
    def exposure_s(self) -> float | None:
        """Of the camera, seconds."""
        return self.bench.camera.exposure_s

    def look(self, frames: Sequence[Frame], *, exposure_s: float = np.nan) -> list[Photo]:
        """See `Looker`."""
        camera, before = self.bench.camera, self.exposure_s
        if np.isfinite(exposure_s) and before is not None and before != exposure_s:
            camera.set_exposure(exposure_s)
        photos = []
        for frame in frames:
            self.bench.display.show(frame)
            photos.append(camera.grab())
        return photos


def keep_look(
    folder: RigFolder, result: Path, photos: list[Photo], camera: CameraModel, exposure_s: float | None
) -> None:
    """Keep what a look at a good rig showed with the result, in place of an earlier one.

    With it the projector pixels that light its dots.

    Raises
    ------
    MeasurementError
        When the photos cannot be read.
    """
    plan = quick_plan(folder.rig.content)
    look = read_quick(photos, plan.ids, plan.table_mm, plan, camera, folder.rig.table.height_mm)
    table_map, _ = read_map(result / MAP_FILE, resolution=folder.rig.projector.resolution)
    inverse = invert(table_map, plan.table_mm[look.ids])
    # a dot that two zones light has two pixels; which of them moved could not be said
    told = inverse.count == 1
    row = np.argmax(np.isfinite(inverse.pixels_px[..., 0]), axis=0)
    pixels = inverse.pixels_px[row, np.arange(len(row))]
    if not told.any():
        raise MeasurementError("no dot of the quick look is lit by one piece of the mirror alone: nothing to compare")
    state = QuickState(
        camera=camera,
        ambient=ambient_light(photos),
        ids=look.ids[told],
        table_mm=look.table_mm[told],
        sigma_mm=look.sigma_mm[told],
        flux=look.flux[told],
        pixels_px=pixels[told],
        zone=inverse.zones[row][told],
        mounting=map_mounting(_figured(folder, result), table_map, rig_tolerances(folder.rig)),
        exposure_s=np.nan if exposure_s is None else exposure_s,
    )
    write_quick(result / QUICK_FILE, state, rig_hash=folder.rig_hash, replace=True)


def read_state(folder: RigFolder, result: Path) -> QuickState:
    """The look that was kept with a result.

    Raises
    ------
    InputError
        When there is none, it is damaged, or rig.toml or camera.json are no longer those it was taken with.
    """
    path = result / QUICK_FILE
    advice = f"Make it anew with: rigwarp verify {folder.root}"
    state, header = read_quick_file(path)
    if MapOrigin.from_dict(header).rig_hash != folder.rig_hash:
        raise InputError(f"{path}: was made for another rig.toml, expected one for the present one. {advice}")
    if not _same_camera(state.camera, camera_of(folder)):
        raise InputError(f"{path}: was made with another camera.json, expected one for the present one. {advice}")
    count = len(quick_plan(folder.rig.content).ids)
    if state.ids[-1] >= count:
        raise InputError(f"{path}: found dot {state.ids[-1]}, expected fewer than {count}. {advice}")
    return state


def light_model_of(folder: RigFolder, result: Path, state: QuickState) -> OpticalModel:
    """The light path of a result, with the mirror's figure where the result tells it."""
    return apply_shifts(_figured(folder, result), state.mounting)


def _figured(folder: RigFolder, result: Path) -> OpticalModel:
    """The design with the figure that the result tells; a scan need not tell the mirror's shape."""
    if not (result / AS_BUILT_ARRAYS_FILE).is_file():
        return design_model(folder)
    heights, numbers = read_as_built(result)
    side = AsBuiltRecord.from_dict(numbers).reflecting_side
    if side is None:
        raise InputError(
            f"{result / AS_BUILT_FILE}: found no reflecting side, expected 1 or -1. "
            f"Make it with: rigwarp fit {folder.root}"
        )
    return figured_model(design_model(folder), heights, reflecting_side=side)


def prewarp_of(result: Path) -> Prewarp:
    """The warp of a result."""
    return read_prewarp(result / PREWARP_FILE)


def _same_camera(one: CameraModel, other: CameraModel) -> bool:
    names = ("matrix", "distortion", "R_camera_from_table", "t_camera_from_table_mm")
    return one.resolution == other.resolution and all(
        np.allclose(getattr(one, name), getattr(other, name), rtol=_SAME_CAMERA, atol=_SAME_CAMERA) for name in names
    )
