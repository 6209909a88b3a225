"""A measured map against the virtual rig's truth: errors over sigma, where a pixel's place has one meaning.

A projector's pupil spreads the light of a pixel where the mirror bends sharply, as in a dent. The truth is then the
mean of where that light lands, whereas each spot of the table shows the mean of the pixels whose light it gets: two
places, and no measurement decides between them. Where the pupil's mean and its middle ray part by more than half a
sigma, the difference is of that size, and the pixels are judged by themselves.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from rigwarp.devices import open_virtual
from rigwarp.files import RigFolder
from rigwarp.geometry import Array, BoolArray, IntArray, PixelMap
from rigwarp.rig import inside_content
from rigwarp.simulation import VirtualRig
from rigwarp.simulation.truth import VirtualTruth
from rigwarp.simulation.truth_file import parse_truth
from rigwarp.table_map import TableMapFit

_SMEARED_SIGMAS = 0.5
_ORDER = 5


@dataclass(frozen=True, kw_only=True)
class TrueMap:
    """Where the light of each projector pixel really lands: the mean over the pupil, and its middle ray's, (H, W)."""

    mean: PixelMap
    middle: PixelMap


@dataclass(frozen=True, kw_only=True)
class Errors:
    """Measured minus true on N pixels of the content area.

    Attributes
    ----------
    error_mm, z : (N, 2) the error, and the error over the whole sigma.
    fine_z : (N, 2) the error without its smooth part (polynomials of fifth order, by zone) over the random sigma.
    smeared : (N,) whether the place of the pixel is no better defined than half a sigma.
    pixel : (N,) which pixels, counted row by row.
    """

    error_mm: Array
    z: Array
    fine_z: Array
    smeared: BoolArray
    pixel: IntArray


def read_truth(folder: RigFolder) -> VirtualTruth:
    """The contents of virtual.toml."""
    path: Path = folder.root / "virtual.toml"
    return parse_truth(path.read_text(encoding="utf-8"), folder.rig, source=str(path))


def true_map(folder: RigFolder) -> TrueMap:
    """Both of them."""
    truth = read_truth(folder)
    middle = VirtualRig(
        folder.rig,
        replace(truth, projector=replace(truth.projector, pupil_samples=1)),
        meshes=folder.meshes,
        profiles=folder.profiles,
    )
    return TrueMap(mean=open_virtual(folder).true_map(), middle=middle.true_map())


def map_errors(folder: RigFolder, fit: TableMapFit, truth: TrueMap) -> Errors:
    """The measured pixels of the content area, judged."""
    judged = truth.mean.answered & fit.table_map.measured
    judged[judged] = inside_content(folder.rig.content, truth.mean.table_mm[judged])
    place, sigma = truth.mean.table_mm[judged], fit.table_map.sigma_mm[judged]
    error = fit.table_map.table_mm[judged] - place
    apart = np.linalg.norm(truth.middle.table_mm[judged] - place, axis=-1)
    smeared = ~(apart < _SMEARED_SIGMAS * sigma)
    fine, zone = error.copy(), truth.mean.zone[judged]
    for number in np.unique(zone):
        here = zone == number
        fine[here] -= _smooth_part(place[here] / np.abs(place).max(), error[here], ~smeared[here])
    return Errors(
        error_mm=error,
        z=error / sigma[:, None],
        fine_z=fine / fit.random_mm[judged][:, None],
        smeared=smeared,
        pixel=np.flatnonzero(judged),
    )


def spread(values: Array) -> float:
    """Root mean square: errors that are common to all pixels count in full."""
    return float(np.sqrt(np.mean(values**2))) if values.size else float("nan")


def _smooth_part(place: Array, error: Array, told: BoolArray) -> Array:
    """Polynomials that fit the errors of the pixels `told`, at all of them."""
    powers = [(i, j) for i in range(_ORDER + 1) for j in range(_ORDER + 1 - i)]
    basis = np.stack([place[:, 0] ** i * place[:, 1] ** j for i, j in powers], axis=-1)
    return np.asarray(basis @ np.linalg.lstsq(basis[told], error[told], rcond=None)[0])
