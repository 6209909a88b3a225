"""Has anything moved between two photographs of one picture, by how much, and is the light still the same?"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.capture.photographs.agreement import cell_means
from rigwarp.geometry import Array, BoolArray, Photo

_CHANGED = 0.05  # of the contrast of black and white: what a cell must change by to count
_NOISE_SIGMAS = 3.0
_MOST_SHIFT_PX = 0.1  # of the camera: what matters beside the decoder's own few hundredths
_MOST_CHANGED = 0.01  # share of the lit cells
_MOST_DRIFT = 0.03  # of brightness: a lamp warms up, and the decoder bears that much


@dataclass(frozen=True, kw_only=True)
class Movement:
    """What differs between two photographs.

    Attributes
    ----------
    shift_px : (along x, along y) by which the later one is shifted, camera pixels; reliable up to a few pixels.
    changed : share of the lit area that looks different.
    drift : relative change of brightness.
    """

    shift_px: tuple[float, float]
    changed: float
    drift: float

    @property
    def matters(self) -> bool:
        """True when the two do not belong into one scan."""
        return (
            float(np.hypot(*self.shift_px)) > _MOST_SHIFT_PX
            or self.changed > _MOST_CHANGED
            or abs(self.drift) > _MOST_DRIFT
        )

    def __str__(self) -> str:
        shift = float(np.hypot(*self.shift_px))
        return (
            f"shifted by {shift:.1f} camera pixels, {100 * self.changed:.0f} % of the lit area different, "
            f"brightness {100 * self.drift:+.0f} %"
        )


def compare(before: Photo, after: tuple[Photo, Photo], black: Photo, white: Photo) -> Movement:
    """Compare a photograph with two later ones of the same picture.

    Parameters
    ----------
    before : (H, W)
    after : two photographs, whose difference tells the noise.
    black, white : earlier photographs of the uniform pictures, which tell where light falls.

    Notes
    -----
    The shift is the least-squares solution of after - gain before = -(d before / dx) shift_x - (d before / dy) shift_y,
    one step of Lucas and Kanade (1981); where light is uniform along one direction, the shift along it is left at zero.
    """
    full_scale = np.iinfo(before.dtype).max
    first, last, again = (photo.astype(np.float32) for photo in (before, *after))
    contrast = white.astype(np.float32) - black.astype(np.float32)
    lit = (contrast > _CHANGED * full_scale) & (before < full_scale) & (after[0] < full_scale)
    if not lit.any():
        return Movement(shift_px=(0.0, 0.0), changed=1.0, drift=0.0)
    gain = float((first[lit] @ last[lit]) / (first[lit] @ first[lit]))
    rest = last - gain * first
    noise = float(np.mean((last - again)[lit] ** 2))
    return Movement(
        shift_px=_shift(gain * first, rest, lit),
        changed=_changed(rest, contrast, lit, noise),
        drift=gain - 1.0,
    )


def _shift(picture: NDArray[np.float32], rest: NDArray[np.float32], lit: BoolArray) -> tuple[float, float]:
    smooth = cv2.GaussianBlur(picture, (0, 0), 1.0)
    slopes = np.stack([cv2.Sobel(smooth, cv2.CV_32F, *d, ksize=3, scale=1 / 8)[lit] for d in ((1, 0), (0, 1))])
    normal = (slopes @ slopes.T).astype(float)
    found: Array = -np.linalg.lstsq(normal, (slopes @ rest[lit]).astype(float), rcond=1e-3)[0]
    return float(found[0]), float(found[1])


def _changed(rest: NDArray[np.float32], contrast: NDArray[np.float32], lit: BoolArray, noise: float) -> float:
    share = cell_means(lit)
    there = share > 0.5
    if not there.any():
        return 1.0
    squares, light = (cell_means(np.where(lit, values, 0.0))[there] / share[there] for values in (rest**2, contrast))
    rms, limit = np.sqrt(squares), np.maximum(_CHANGED * light, _NOISE_SIGMAS * np.sqrt(noise))
    return float(np.mean(rms > limit))
