"""From light on the sensor to an 8-bit picture: lens blur, vignetting, exposure, noise, response, quantisation."""

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array
from rigwarp.rig import encode_transfer
from rigwarp.simulation.truth import CameraTruth

_RESPONSE_STEPS = 65536  # entries of the response table: 0.05 of a code value at the curve's steepest
_HAZE_REACH = 0.15  # sigma of the wide spread of stray light, as a share of the picture's width
_HAZE_SHRINK = 8  # the spread is worked out on a picture this many times smaller


Picture = NDArray[np.float32]
Moved = Callable[[Picture], Picture]
"""Turns the lens's picture into what it is after the camera has moved."""


class Sensor:
    """The camera behind its lens."""

    def __init__(self, truth: CameraTruth, resolution: tuple[int, int]) -> None:
        self._truth = truth
        self._resolution = resolution
        u2, v2 = ((np.arange(n) - (n - 1) / 2) ** 2 for n in resolution)
        r2: Array = (v2[:, None] + u2[None, :]) / (sum((n - 1) ** 2 for n in resolution) / 4.0)
        self._transmission = np.asarray(1.0 - truth.vignetting * r2, np.float32)
        light = np.linspace(0.0, 1.0, _RESPONSE_STEPS)
        self._codes = np.asarray(255.0 * encode_transfer(light, truth.response), np.float32)

    def expose(
        self, radiance: Picture, gain: float | Picture, random: np.random.Generator, *, moved: Moved | None = None
    ) -> NDArray[np.uint8]:
        """Photograph a radiance picture (H, W); `gain` = full-scale share per unit of radiance, (H, 1) if by row."""
        light = self.optics(radiance, moved=moved) * np.asarray(gain, np.float32)
        well = np.float32(self._truth.full_well_e)
        noise = random.standard_normal(light.shape, dtype=np.float32)
        variance = light / well + np.float32((self._truth.read_noise_e / self._truth.full_well_e) ** 2)
        light = light + noise * np.sqrt(np.maximum(variance, 0.0))
        return self.digitise(light)

    def optics(self, radiance: Picture, *, moved: Moved | None = None) -> Picture:
        """Lens blur and vignetting; a motion between them: blurred light can be resampled, and the lens moves too."""
        if self._truth.blur_px > 0.0:
            radiance = np.asarray(
                cv2.GaussianBlur(radiance, (0, 0), self._truth.blur_px, borderType=cv2.BORDER_REPLICATE), np.float32
            )
        if moved is not None:
            radiance = moved(radiance)
        return np.asarray(radiance * self._transmission, np.float32)

    def digitise(self, light: Picture) -> NDArray[np.uint8]:
        """Code values of light as a share of full scale."""
        place = np.clip(light * np.float32(_RESPONSE_STEPS - 1) + np.float32(0.5), 0, _RESPONSE_STEPS - 1)
        return np.rint(self._codes).astype(np.uint8)[place.astype(np.int32)]

    def gain_for(self, radiance: Picture, *, peak_code: float, share: float) -> float:
        """Exposure that puts the `share` quantile of a radiance picture at `peak_code` (0..1) of full scale."""
        if self._truth.exposure is not None:
            return self._truth.exposure
        return self.gain_at(float(np.quantile(self.optics(radiance), share)), peak_code)

    def gain_at(self, radiance: float, code: float) -> float:
        """Exposure that puts a radiance at `code` (0..1) of full scale."""
        wanted = float(np.interp(255.0 * code, self._codes, np.linspace(0.0, 1.0, _RESPONSE_STEPS)))
        return wanted / radiance if radiance > 0.0 else 1.0


def hazed(radiance: Picture, haze: float) -> Picture:
    """Spread a share of the light widely over the picture, keeping its sum (up to what leaves at the rim)."""
    if haze == 0.0:
        return radiance
    height, width = radiance.shape
    small = cv2.resize(
        radiance, (max(1, width // _HAZE_SHRINK), max(1, height // _HAZE_SHRINK)), interpolation=cv2.INTER_AREA
    )
    sigma = _HAZE_REACH * small.shape[1]
    wide = cv2.GaussianBlur(small, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT)
    spread = cv2.resize(wide, (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(np.float32(1 - haze) * radiance + np.float32(haze) * spread, np.float32)
