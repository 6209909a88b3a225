"""The projector as mounted: rays from every point of its exit pupil, and the light of its pixels."""

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, Placement
from rigwarp.rig import Projector, decode_transfer
from rigwarp.simulation.truth import ProjectorTruth

_TOE_CODE = 0.1  # dark codes up to about here are crushed by `toe`
_LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)  # IEC 61966-2-1: share of linear R, G, B in luminance
HEXAGONAL_COUNTS = {1: 0, 7: 1, 19: 2, 37: 3}
"""Numbers of pupil points that fill a hexagon, and their number of rings."""


class RealProjector:
    """The projector with its mounting error, throw error and exit pupil."""

    def __init__(self, nominal: Projector, truth: ProjectorTruth) -> None:
        self.resolution = nominal.resolution
        self.placement: Placement = nominal.placement.moved(truth.position_error_mm, truth.rotation_error_rad)
        self._focal_px = nominal.focal_px * (1.0 + truth.throw_ratio_percent / 100.0)
        self._principal_px = nominal.principal_px
        self._truth = truth
        self.pupil_mm = pupil_points(truth.pupil_diameter_mm, truth.pupil_samples)
        code = np.arange(256) / 255.0
        light = decode_transfer(code, truth.transfer) * (1.0 - truth.toe * np.exp(-code / _TOE_CODE))
        self._light_of_code = (light / light[-1]).astype(np.float32)

    def rays(self, u_px: Array, v_px: Array, pupil: Array, focus_mm: float) -> tuple[Array, Array]:
        """Rays of (N,) pixels from one pupil point: origin (3,) and unit directions (3, N), table frame.

        All rays of a pixel meet in the plane at `focus_mm` in front of the projector.
        """
        own = np.array([pupil[0], pupil[1], 0.0])
        x, y = ((px - middle) / self._focal_px for px, middle in zip((u_px, v_px), self._principal_px, strict=True))
        way = self.placement.rotation @ (np.stack([x, y, np.ones_like(x)]) * focus_mm - own[:, None])
        return self.placement.to_table(own), way / np.sqrt(way[0] ** 2 + way[1] ** 2 + way[2] ** 2)

    def pixel_flux(self, u_px: Array, v_px: Array) -> Array:
        """Light that a white pixel sends out, relative to one at the picture's middle."""
        width, height = self.resolution
        r2 = (u_px - (width - 1) / 2) ** 2 + (v_px - (height - 1) / 2) ** 2
        return 1.0 - self._truth.vignetting * r2 / (((width - 1) ** 2 + (height - 1) ** 2) / 4.0)

    def emitted(self, frame: NDArray[np.uint8]) -> NDArray[np.float32]:
        """Light per pixel, as a share of white of a new lamp, of a shown (H, W) grey or (H, W, 3) RGB picture."""
        light = self._light_of_code[frame]
        if light.ndim == 3:
            light = light @ _LUMA
        if self._truth.blur_px > 0.0:
            light = np.asarray(
                cv2.GaussianBlur(light, (0, 0), self._truth.blur_px, borderType=cv2.BORDER_CONSTANT), np.float32
            )
        floor = np.float32(self._truth.black_level)
        return np.asarray(np.float32(self._truth.lamp) * (floor + (1 - floor) * light), np.float32)


def pupil_points(diameter_mm: float, samples: int) -> Array:
    """(samples, 2) hexagonally packed points whose mean square radius is that of the full disc, diameter^2 / 8."""
    rings = HEXAGONAL_COUNTS[samples]
    points = [
        (i + j / 2.0, j * np.sqrt(0.75))
        for i in range(-rings, rings + 1)
        for j in range(-rings, rings + 1)
        if abs(i + j) <= rings
    ]
    grid = np.array(sorted(points, key=lambda p: (round(np.hypot(*p), 9), np.arctan2(p[1], p[0]))))
    if rings:
        grid = grid * np.sqrt(diameter_mm**2 / 8.0 / np.mean(np.sum(grid**2, axis=1)))
    return grid
