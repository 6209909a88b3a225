"""What a material would do on a given rig, from what was found of it on the bench."""

from dataclasses import dataclass

import numpy as np

from rigwarp.geometry import Array
from rigwarp.samples.closed_forms import disc_modulation, ghost_distance_mm


@dataclass(frozen=True, kw_only=True)
class LightPath:
    """A rig's paths, one for each of n places: incidence at mirror and table, lengths, projector pixel on the table."""

    incidence_rad: Array
    table_rad: Array
    near_mm: Array
    far_mm: Array
    pixel_mm: Array


@dataclass(frozen=True, kw_only=True)
class Waves:
    """Waves between two lengths: rms optical slope (2,) in and across the plane of incidence."""

    shortest_mm: float
    longest_mm: float
    rms_rad: Array

    @property
    def length_mm(self) -> float:
        """One length that stands for all of them: the geometric middle."""
        return float(np.sqrt(self.shortest_mm * self.longest_mm))


@dataclass(frozen=True, kw_only=True)
class Material:
    """What the bench, at incidence `bench_rad` and with its beam `beam_mm` wide on the mirror, found.

    Blur variance (2,) rad^2, veil, waves, sheet, strength of the double image; and the projector's pupil, which is
    taken to be the rig's, too.
    """

    blur_rad2: Array
    veil: float
    waves: tuple[Waves, ...]
    thickness_mm: float
    index: float
    ghost: float
    bench_rad: float
    beam_mm: float
    pupil_mm: float


@dataclass(frozen=True, kw_only=True)
class Prediction:
    """Over a rig's places: medians, and what nine in ten stay below.

    Attributes
    ----------
    blur_mm, blur_px : (2,) 1-sigma in and across the plane of incidence, added to what the rig has by itself.
    blur_px_p90 : the larger of the two.
    contrast : of black and white in a picture half of each, as far as the mirror limits it; NaN where its veil is not
        told.
    moved_mm, moved_px : rms by which waves shift the picture: the prewarp takes it out.
    left_mm, left_px : rms of what the same waves do within the width of the beam: it blurs, is in `blur_mm`, too, and
        no prewarp takes it out.
    ghost_mm, ghost_px, ghost_share : of the double image; NaN where the sheet is unknown or in front.
    """

    blur_mm: Array
    blur_px: Array
    blur_px_p90: float
    contrast: float
    moved_mm: float
    moved_px: float
    left_mm: float
    left_px: float
    ghost_mm: float
    ghost_px: float
    ghost_share: float


def contrast_left(veil: float, mean_level: float, before: float = np.inf) -> float:
    """White over black of a picture of this mean level, under a veil of this share: (1 - V + aV) / (aV + 1 / C0)."""
    return float((1.0 - veil + mean_level * veil) / (mean_level * veil + 1.0 / before))


def blur_on_path(blur_rad2: Array, bench_rad: float, path: LightPath) -> Array:
    """(n, 2) mm of 1-sigma blur; slopes count by the cosine across the plane of incidence, on bench and rig alike."""
    sigma = np.sign(blur_rad2) * np.sqrt(np.abs(blur_rad2))
    along = sigma[0] * path.far_mm / np.cos(path.table_rad)
    across = sigma[1] * path.far_mm * np.cos(path.incidence_rad) / np.cos(bench_rad)
    return np.stack([along, across], axis=-1)


def waves_on_path(material: Material, path: LightPath) -> tuple[Array, Array, Array]:
    """What waves do on a rig, in and across the plane of incidence.

    Returns
    -------
    (n, 2) variance of the picture's shifts, mm^2; (n, 2) variance left within the beam; (n, 2) by how much that is more
    than on the bench, whose own beam averaged the same waves: its blur has that part already.
    """
    beam = material.pupil_mm * path.far_mm / (path.near_mm + path.far_mm)
    moved, left, more = (np.zeros((len(beam), 2)) for _ in range(3))
    lean = np.stack([1.0 / np.cos(path.table_rad), np.cos(path.incidence_rad)], axis=-1)
    for waves in material.waves:
        square = np.square(2.0 * path.far_mm[:, None] * lean * waves.rms_rad)
        kept = np.square(disc_modulation(1.0, beam / waves.length_mm))[:, None]
        moved += square * kept
        left += square * (1.0 - kept)
        more += square * (np.square(disc_modulation(material.beam_mm, 1.0 / waves.length_mm)) - kept)
    return moved, left, more


def predict(material: Material, path: LightPath) -> Prediction:
    """What a material does on a rig; forming, which no flat sample tells, is not in it."""
    moved, left, more = waves_on_path(material, path)
    blur = blur_on_path(material.blur_rad2, material.bench_rad, path)
    square = np.sign(blur) * blur**2 + more
    blur = np.sign(square) * np.sqrt(np.abs(square))
    px = blur / path.pixel_mm[:, None]
    shift, rest = (np.sqrt(part.sum(axis=-1)) for part in (moved, left))
    away = np.full(len(px), np.nan)
    if material.thickness_mm > 0.0:
        away = ghost_distance_mm(material.thickness_mm, material.index, path.incidence_rad) / np.cos(path.table_rad)
    return Prediction(
        blur_mm=np.median(blur, axis=0),
        blur_px=np.median(px, axis=0),
        blur_px_p90=float(np.quantile(px.max(axis=1), 0.9)),
        contrast=float("inf") if material.veil <= 0.0 else contrast_left(material.veil, 0.5),
        moved_mm=float(np.median(shift)),
        moved_px=float(np.median(shift / path.pixel_mm)),
        left_mm=float(np.median(rest)),
        left_px=float(np.median(rest / path.pixel_mm)),
        ghost_mm=float(np.median(away)),
        ghost_px=float(np.median(away / path.pixel_mm)),
        ghost_share=material.ghost,
    )
