"""Were all photographs taken with one setting of the lens: the focal length that each tells by itself."""

from dataclasses import dataclass

import numpy as np

from rigwarp.camera.boards.board_shape import N_SHAPE
from rigwarp.camera.lens.bundle import N_SHARED, Bundle, Corners, Prior
from rigwarp.camera.lens.robust import RobustFit, fit_robustly
from rigwarp.camera.projection import LENS_TERMS
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array

_SQUARE_PIXELS = 1e-5  # 1-sigma of fx / fy beside that of the common lens
_APART = 9.0  # mean square of the focal lengths' differences, in sigmas, above which they are not one; 1 to 2 is usual
_DOUBTFUL, _REFUSED = 0.002, 0.01  # rms of the differences, relative
_LEAST_VIEWS = 4


@dataclass(frozen=True, kw_only=True)
class FocalLengths:
    """What each photograph says of the focal length.

    Attributes
    ----------
    px, sigma_px : (V,) with everything else of the lens as all photographs have it.
    """

    px: Array
    sigma_px: Array

    @property
    def mean_px(self) -> float:
        """Weighted by the sigmas."""
        return float(np.average(self.px, weights=self.sigma_px**-2))

    @property
    def apart(self) -> float:
        """Mean square of their differences in sigmas: about 1 where the lens stayed as it was."""
        return float(np.sum(((self.px - self.mean_px) / self.sigma_px) ** 2) / (len(self.px) - 1))

    @property
    def spread(self) -> float:
        """Rms of their differences, relative."""
        weights = self.sigma_px**-2
        return float(np.sqrt(np.average((self.px / self.mean_px - 1.0) ** 2, weights=weights)))


def focal_length_of_each(fit: RobustFit, corners: list[Corners]) -> FocalLengths:
    """The focal length by each photograph alone: its pose is free, the rest is the common lens."""
    shared = fit.bundle.shared
    ratio = np.zeros(N_SHARED)
    ratio[:2] = 1.0 / shared[0], -1.0 / shared[1]
    prior = Prior(shared=shared.copy(), information=np.outer(ratio, ratio) / _SQUARE_PIXELS**2)
    free = np.concatenate([[name in ("fx", "fy") for name in LENS_TERMS], np.zeros(N_SHAPE, bool)])
    found = []
    for seen, pose in zip(corners, fit.bundle.poses, strict=True):
        alone = fit_robustly(Bundle(shared=shared, poses=(pose,)), [seen], free=free, prior=prior, rough=False)
        found.append((alone.bundle.lens[0], np.sqrt(alone.equations.covariance(None)[0, 0])))
    px, sigma_px = np.array(found).T
    return FocalLengths(px=px, sigma_px=sigma_px)


def settings_warnings(fit: RobustFit, corners: list[Corners], used: list[int]) -> tuple[str, ...]:
    """What is wrong if the photographs disagree about the focal length; `used` are their places among all, from 0.

    Raises
    ------
    MeasurementError
        They disagree by more than any lens that one could use.
    """
    if len(used) < _LEAST_VIEWS:
        return ()
    found = focal_length_of_each(fit, corners)
    if not (found.apart > _APART and found.spread > _DOUBTFUL):
        return ()
    shorter = found.px < found.mean_px
    groups = [
        f"photos {', '.join(str(used[i] + 1) for i in np.flatnonzero(chosen))} say {found.px[chosen].mean():.0f} px"
        for chosen in (shorter, ~shorter)
    ]
    said = (
        f"the photos disagree about the focal length by {100 * found.spread:.1f} % (counted by name, {groups[0]}, "
        f"{groups[1]}): was the zoom or focus changed in between, or does the board bend in the hand? Fix zoom and "
        "focus, glue the board onto something stiff, and take them again, or leave one group out"
    )
    if found.spread > _REFUSED:
        raise MeasurementError(said)
    return (said,)
