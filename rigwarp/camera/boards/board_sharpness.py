"""How sharp a photo of the board is, from the edges around its corners: both edge directions, the worse one counts."""

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.camera.boards.detection import BoardView
from rigwarp.geometry import Array

_MOST = 16  # corners looked at: more tell nothing new
_REACH = 0.3  # half the patch around a corner, in squares: its own edges and no marker's
_ALONG = 0.8  # cosine to an edge's normal from which a gradient belongs to that edge
_PEAK = 98.0  # percentile of the gradients that counts as the edge's own: single noisy pixels do not
_MIN_CONTRAST = 0.02  # of full scale, below which there is no edge


def board_blur_px(photo: NDArray[np.uint8] | NDArray[np.uint16], view: BoardView) -> float:
    """Sigma of the blur in camera pixels; NaN when there is nothing to judge by.

    Parameters
    ----------
    photo : (H, W) 8 or 16 bit
    view : what was found in it

    Notes
    -----
    A step of contrast C blurred by a Gaussian of sigma s rises by C / (s sqrt(2 pi)) per pixel at its steepest. A
    motion of L pixels during the exposure makes it C / L, for edges across the motion only: so edges of both directions
    are looked at. Pixels themselves count as blur, 0.5 px or so.
    """
    if view.n < 4:
        return float("nan")
    homography, _ = cv2.findHomography(view.object_mm[:, :2], view.image_px)
    if homography is None:
        return float("nan")
    chosen = np.unique(np.linspace(0, view.n - 1, min(view.n, _MOST)).astype(int))
    full_scale = float(np.iinfo(photo.dtype).max)
    found = []
    for i in chosen:
        corners = view.object_mm[i, :2] + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
        places = cv2.perspectiveTransform(corners[:, None], homography)[:, 0]
        axes = places[1:] - places[0]  # the board's own in the photo
        axes = axes / np.linalg.norm(axes, axis=1, keepdims=True)
        found.append(_corner_blur(photo, view.image_px[i], view.square_px[i], axes, full_scale))
    known = [blur for blur in found if np.isfinite(blur)]
    return float(np.median(known)) if known else float("nan")


def _corner_blur(
    photo: NDArray[np.uint8] | NDArray[np.uint16], at_px: Array, square_px: float, axes: Array, full_scale: float
) -> float:
    """The worse of both edges' sigmas."""
    reach = max(3, int(_REACH * square_px))
    u, v = np.rint(at_px).astype(int)
    patch = photo[max(v - reach, 0) : v + reach + 1, max(u - reach, 0) : u + reach + 1].astype(float) / full_scale
    if min(patch.shape) < 5:
        return float("nan")
    low, high = np.percentile(patch, [5.0, 95.0])
    if high - low < _MIN_CONTRAST:
        return float("nan")
    down, right = np.gradient(patch)
    gradient = np.stack([right, down], axis=-1).reshape(-1, 2)
    length = np.linalg.norm(gradient, axis=-1)
    blurs = []
    for axis in axes:  # an edge runs along each axis; its gradients stand across
        normal = np.array([-axis[1], axis[0]])
        across = np.abs(gradient @ normal) > _ALONG * length
        if np.count_nonzero(across) < 8:
            return float("nan")
        blurs.append((high - low) / (np.percentile(length[across], _PEAK) * np.sqrt(2.0 * np.pi)))
    return float(max(blurs))
