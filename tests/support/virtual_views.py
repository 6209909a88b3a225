"""The sorting table's view at a share of its pixels, drawn from its tolerances, and what its camera sees of the table.

Places come from the virtual rig's own rays, with noise, and with a smooth error that all neighbours share, as a
projector's map has it.
"""

import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from small_rig import make_small_rig

from rigwarp.files import RigFolder, open_rig
from rigwarp.geometry import Array, PixelMap, ViewMap
from rigwarp.simulation import VirtualTruth, parse_truth
from rigwarp.simulation.view import VirtualView
from rigwarp.view import Seen, ViewPart, view_parts


@dataclass(frozen=True, kw_only=True)
class Sorting:
    """A drawn view: its folder and design, what it truly sees, and what is measured of that."""

    folder: RigFolder
    parts: tuple[ViewPart, ...]
    truth: VirtualTruth
    true: ViewMap
    seen: Seen


def sorting_view(
    root: Path,
    *,
    share: float = 0.25,
    seed: int | None = None,
    common_mm: float = 0.01,
    shape: Array | None = None,
    sinking: bool = False,
) -> Sorting:
    """The rig of the scenario; with a `seed` its mounting is drawn from the tolerances instead.

    Wings that are `sinking` outwards, by 15 degrees and without a box below them, both see the middle of the table.
    """
    make_small_rig(root, "two-wings", share=share)
    if sinking:
        text = (root / "rig.toml").read_text(encoding="utf-8").replace("17.146", "-32.69")
        text = re.sub(r"^\[\[obstacle\]\].*\nfile.*\n", "", text, flags=re.MULTILINE)
        (root / "rig.toml").write_text(text, encoding="utf-8")
    folder = open_rig(root)
    truth = parse_truth((root / "virtual.toml").read_text(encoding="utf-8"), folder.rig)
    mirrors = tuple(replace(one, built=replace(one.built, dents=())) for one in truth.view.mirrors)
    # a dent 14 mm wide is under ten of so few pixels: no map follows that
    truth = replace(truth, view=replace(truth.view, mirrors=mirrors))
    random = np.random.default_rng(0 if seed is None else seed)
    if seed is not None:
        truth = _drawn(folder, truth, random)
    true = VirtualView(folder.rig, truth, meshes=folder.meshes).true_map()
    parts = view_parts(folder.rig, None, meshes=folder.meshes, profiles=folder.profiles)
    seen = measured(true, random, common_mm=common_mm, shape=shape)
    return Sorting(folder=folder, parts=parts, truth=truth, true=true, seen=seen)


def bowl_mm(true: ViewMap | PixelMap, common_mm: float, shape: Array) -> Array:
    """(H, W, 2) a smooth error of that rms over the table, if the (6, 2) numbers of `shape` are of unit variance."""
    x, y = (np.nan_to_num(a / 300.0) for a in (true.x_mm, true.y_mm))
    terms = np.stack([np.ones_like(x), x, y, x * x - 0.5, x * y, y * y - 0.2], axis=-1)
    return np.asarray(terms @ shape * common_mm / np.sqrt(np.mean(np.sum(terms[true.answered] ** 2, axis=-1))))


def measured(
    true: ViewMap,
    random: np.random.Generator,
    *,
    noise_mm: float = 0.05,
    common_mm: float = 0.01,
    shape: Array | None = None,
) -> Seen:
    """Noisy places of all pixels, with a common error besides, see `bowl_mm`."""
    shared_mm = bowl_mm(true, common_mm, random.normal(size=(6, 2)) if shape is None else shape)
    noise = noise_mm * random.normal(size=(*true.zone.shape, 2))
    full = np.where(true.answered, 1.0, np.nan)
    return Seen(
        table_mm=true.table_mm + shared_mm + noise,
        random_mm=noise_mm * full,
        common_mm=common_mm * full,
        light=0.5 * full,
    )


def _drawn(folder: RigFolder, truth: VirtualTruth, random: np.random.Generator) -> VirtualTruth:
    """Camera, wings and their bends anew."""
    view, real = folder.rig.view, truth.view
    camera = replace(
        real.camera,
        placement=view.placement.moved(
            random.normal(size=3) * view.position_tolerance_mm, random.normal(size=3) * view.rotation_tolerance_rad
        ),
        focal_px=real.camera.focal_px * (1.0 + 0.004 * random.normal()),
    )
    mirrors = tuple(
        replace(
            built,
            built=replace(
                built.built,
                seat_shift_mm=random.normal(size=3) * mirror.position_tolerance_mm,
                seat_turn_rad=random.normal(size=3) * mirror.rotation_tolerance_rad,
                facets=tuple(
                    replace(facet, curvature_per_mm=random.normal() / 20000.0, bend_rad=random.uniform(0.0, np.pi))
                    for facet in built.built.facets
                ),
            ),
        )
        for built, mirror in zip(real.mirrors, view.mirrors, strict=True)
    )
    return replace(truth, view=replace(real, camera=camera, mirrors=mirrors))


def errors(found: ViewMap, true: ViewMap) -> tuple[Array, Array]:
    """(N, 2) distance of measured places from the true ones, mm, and (N,) the stated sigma."""
    both = found.measured & true.answered
    return (found.table_mm - true.table_mm)[both], found.sigma_mm[both]
