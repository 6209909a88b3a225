"""The lean of lines of sight: from the measured place on the table and the registered mirror that they come from."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline

from rigwarp.geometry import Array, BoolArray, IntArray
from rigwarp.view.design import lean_of
from rigwarp.view.parts import ViewPart

_STEP_PX = 8  # the mirror's points vary slowly: traced on a grid and interpolated
_ORDER = 3
SMOOTH_TERMS: Final = 10
"""How many there are of `smooth_terms`."""


@dataclass(frozen=True, kw_only=True)
class LeanDoubt:
    """What is not known of the lean: a few independent errors, smooth over each part's picture and common to all parts.

    Attributes
    ----------
    first_zones : (P,) first zone of each part, rising.
    middle_px, half_px : (P, 2) of its picture, raw pixels of the camera.
    terms : (P, t, 2, m) polynomial over it of one sigma of each of the m errors, mm per mm.
    found : (m,) the most probable errors, in sigmas, as far as anything tells them.
    """

    first_zones: NDArray[np.int64]
    middle_px: Array
    half_px: Array
    terms: Array
    found: Array

    @property
    def count(self) -> int:
        """How many errors there are."""
        return int(self.terms.shape[-1])

    def slopes(self, pixels_px: Array, zone: NDArray[np.integer]) -> Array:
        """(N, 2, m) how the lean at raw pixels (N, 2) of zones (N,) moves for one sigma of each error."""
        number = np.maximum(np.searchsorted(self.first_zones, zone, side="right") - 1, 0)
        found = np.zeros((len(pixels_px), 2, self.count))
        for part in np.unique(number) if self.count else ():
            here = number == part
            at = np.clip((pixels_px[here] - self.middle_px[part]) / self.half_px[part], -1.0, 1.0)
            found[here] = np.tensordot(smooth_terms(at), self.terms[part], axes=1)
        return found

    def shift(self, pixels_px: Array, zone: NDArray[np.integer]) -> Array:
        """(N, 2) what is `found` of the errors, at raw pixels."""
        return self.slopes(pixels_px, zone) @ self.found


_ONE = np.ones((1, 2))
LEAN_KNOWN = LeanDoubt(
    first_zones=np.zeros(1, int),
    middle_px=_ONE,
    half_px=_ONE,
    terms=np.zeros((1, SMOOTH_TERMS, 2, 0)),
    found=np.zeros(0),
)
"""No doubt at all."""


def even_doubt(zones: NDArray[np.integer], sigma: float) -> LeanDoubt:
    """Each of these zones' leans off by as much all over its picture, `sigma` per axis, by itself."""
    first = np.unique(zones).astype(np.int64)
    terms = np.zeros((len(first), SMOOTH_TERMS, 2, 2 * len(first)))
    for number in range(len(first)):
        terms[number, 0, :, 2 * number : 2 * number + 2] = sigma * np.eye(2)
    ones = np.ones((len(first), 2))
    return LeanDoubt(first_zones=first, middle_px=ones, half_px=ones, terms=terms, found=np.zeros(terms.shape[-1]))


def smooth_terms(at: Array) -> Array:
    """(N, 10) polynomials up to the third order at places (N, 2) of a part's picture, -1 to 1 each way."""
    u, v = at.T
    return np.stack([u**i * v**j for i in range(_ORDER + 1) for j in range(_ORDER + 1 - i)], axis=-1)


def seen_leans(parts: Sequence[ViewPart], zone: IntArray, table_mm: Array) -> Array:
    """(H, W, 2) leans of the camera's pixels of zones (H, W), from where they see the table (H, W, 2); else NaN."""
    found = np.full(table_mm.shape, np.nan)
    for part in parts:
        for surface in part.model.surfaces:
            here = zone == part.first_zone + surface.zone
            if here.any():
                found[here] = lean_of(part.model, table_mm[here], mirror_points(part, surface.zone, here))
    return found


def mirror_points(part: ViewPart, surface: int, here: BoolArray) -> Array:
    """(N, 3) where the sights of the camera's N pixels that are `here` (H, W) meet a part's surface, mirror frame."""
    v, u = np.nonzero(here)
    own_px = part.own_pixels(np.stack([u, v], axis=-1).astype(float))
    height, width = here.shape
    across, down = (np.arange(0, n + _STEP_PX, _STEP_PX, dtype=float) for n in (width, height))
    grid = np.stack(np.meshgrid(across, down, indexing="ij"), axis=-1)
    at = part.model.trace(grid, zone=surface, extended=True).mirror_mm
    if np.isfinite(at).all():
        return np.stack([RectBivariateSpline(across, down, at[..., i]).ev(*own_px.T) for i in range(3)], axis=-1)
    return part.model.trace(own_px, zone=surface, extended=True).mirror_mm
