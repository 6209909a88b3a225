"""What is no sample's figure but a mishap: named, and refused.

Whether the camera stood still between two mirrors the screen's own grain tells: no mirror moves that.
"""

import cv2
import numpy as np
from scipy.ndimage import maximum_filter

from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.robust import robust_sigma
from rigwarp.samples.bench import Sheet
from rigwarp.samples.leg import Leg
from rigwarp.samples.pair import Pair
from rigwarp.samples.registered import Nodes

_DULL, _BRIGHT = 0.3, 1.25  # relative reflectance that no mirror has
_FILM_LOST, _FILM_VEIL = 0.25, 0.75  # of the light beyond 16 mrad and 4 mrad: no mirror, but its film or its back
_WIDE_PX, _KEPT = 16, 0.25  # stripes of which the worst mirror keeps most, and a film next to nothing
_UNLIKE = 0.05  # ln of how a sample's reflectance differs when it is laid in again
_SEEN = 0.75  # of the picture of the seat that the reference shows: waves leave some of it too dark to count
_COARSEST, _FINEST = 0.03, 0.12  # cycles per camera pixel: mirrors' light is coarser, a projector's pixels are finer
_NEAR_PX = 5.0  # as far as a peak reaches
_TIMES = 10.0  # sigmas of the correlation: two mirrors share up to 7 by chance (grain of 1 % makes 70 to 140)
_LEAST_SHARE = 0.2  # of what stays: a screen's grain beside that of a sensor
_STILL_PX = 1.0
_ADVICE = "Put that right and measure this cycle again."
_NO_MIRROR = f"found no mirror. Is it in upside down, or is its protective film still on? {_ADVICE}"


def refuse_no_mirror(sheet: Sheet, sample: Leg, reference: Leg, which: str) -> None:
    """Refuse a sample that spreads light as no mirror does, before its picture is matched with the reference's."""
    kept = [
        float(np.median(sample.contrast[axis, _WIDE_PX][sample.lit]))
        / float(np.median(reference.contrast[axis, _WIDE_PX][reference.lit]))
        for axis in ("x", "y")
    ]
    if max(kept) < _KEPT:
        raise MeasurementError(
            f"{sheet.name} ({which}) leaves {100 * max(kept):.0f} % of the contrast of {_WIDE_PX}-pixel stripes: "
            f"{_NO_MIRROR}"
        )


def refuse_moved_seat(sheet: Sheet, sample: Leg, nodes: Nodes, which: str) -> None:
    """Refuse a sample whose picture lies partly beside the photograph or the screen; `nodes` are the reference's."""
    pixels = np.count_nonzero(nodes.inside(sample)) * abs(float(np.linalg.det(sample.affine[:, :2])))
    seen = pixels / (len(nodes.u) * len(nodes.v))
    if seen < _SEEN:
        raise MeasurementError(
            f"{sheet.name} ({which}): found {100 * seen:.0f} % of the picture that the reference shows, expected all "
            f"of it. Did the seat move, or does the piece lie askew in it? {_ADVICE}"
        )


def refuse_odd_light(sheet: Sheet, log_ratio: Array, which: str) -> None:
    """Refuse what reflects less or more than any mirror; (3,) ln of its reflectance by colour."""
    ratio = float(np.exp(np.mean(log_ratio)))
    if ratio < _DULL:
        raise MeasurementError(
            f"{sheet.name} ({which}) reflects {100 * ratio:.0f} % of what the reference does: {_NO_MIRROR}"
        )
    if ratio > _BRIGHT:
        raise MeasurementError(
            f"{sheet.name} ({which}) reflects {100 * ratio:.0f} % of what the reference does, more than any mirror: "
            f"found another exposure, expected the reference's. Fix the camera's exposure, gain and white balance. "
            f"{_ADVICE}"
        )


def refuse_odd(sheet: Sheet, pair: Pair, which: str) -> None:
    """Refuse what spreads light more widely than any mirror, or shows another picture."""
    if pair.veil[3] > _FILM_LOST or pair.veil[1] > _FILM_VEIL:
        raise MeasurementError(
            f"{sheet.name} ({which}) sends {100 * pair.veil[3]:.0f} % of its light more than 16 mrad aside: "
            f"{_NO_MIRROR}"
        )
    if not np.isfinite(pair.landing).all():
        raise MeasurementError(f"{sheet.name} ({which}): its picture cannot be matched with the reference's.")


def refuse_unlike(sheet: Sheet, log_ratios: Array) -> None:
    """Refuse a sample whose two legs differ in light; (2, 3) ln of reflectance, without a steady drift."""
    apart = float(np.mean(log_ratios[1] - log_ratios[0]))
    if abs(apart) > _UNLIKE:
        raise MeasurementError(
            f"{sheet.name}: laid in again it reflects {100 * abs(np.expm1(apart)):.0f} % "
            f"{'more' if apart > 0.0 else 'less'} than before, expected within "
            f"{100 * _UNLIKE:.0f} %. Did the camera's exposure change, did something shade the beam, or was another "
            f"piece laid in? {_ADVICE}"
        )


def refuse_moved_camera(legs: dict[str, Leg]) -> None:
    """Refuse a cycle between whose mirrors the camera or the screen moved.

    The sample is compared with the reference only: the light of one mirror laid in twice is alike, and moves.
    """
    first, again = (moved_px(legs["R1"], legs[leg]) for leg in ("S1", "S2"))
    steps = {"R1 and S1": first, "S1 and S2": again - first, "S2 and R2": moved_px(legs["S2"], legs["R2"])}
    for between, step in steps.items():
        if float(np.hypot(*step)) > _STILL_PX:  # not where the grain is too weak to tell (NaN)
            raise MeasurementError(
                f"between {between} the screen's grain moved by {np.hypot(*step):.1f} camera pixels, expected less "
                f"than {_STILL_PX:g}. The camera or the screen was bumped: fix it and measure this cycle again."
            )


def moved_px(first: Leg, second: Leg) -> Array:
    """(2,) camera pixels by which the screen's grain moved, by white light; NaN where it is too weak to tell.

    Notes
    -----
    Phase correlation (Kuglin and Hines 1975) between the scale of mirrors' ripple and that of the projector's pixels.
    What stays is the grain of a screen that stayed, or of the sensor; what moves with the picture is the projector's
    own; so a grain that does neither has moved, and so has a screen's where nothing stays. Moves by more than a quarter
    of the picture are another check's: the two references' landing.
    """
    both = np.pad((first.lit & second.lit).astype(np.uint8), 1)
    inside = np.asarray(cv2.distanceTransform(both, cv2.DIST_L2, 5)[1:-1, 1:-1], np.float64)  # camera pixels
    grain = _correlation(first, second, inside)
    shifts = np.stack(np.meshgrid(*(np.fft.fftfreq(size, 1.0 / size) for size in grain.shape[::-1])), axis=-1)
    middle_px = np.nanmedian(first.position.reshape(-1, 2), axis=0)
    picture = _seen_at(second, middle_px) - _seen_at(first, middle_px)
    stays, along = (np.linalg.norm(shifts - place, axis=-1) < _NEAR_PX for place in (np.zeros(2), picture))
    summits = (grain == maximum_filter(grain, 3, mode="wrap")) & (grain > _TIMES * robust_sigma(grain.ravel()))
    summits &= np.linalg.norm(shifts, axis=-1) < 0.5 * inside.max()
    elsewhere = summits & ~(stays | along) & (grain > _LEAST_SHARE * grain[stays].max())
    for some in (elsewhere, summits & stays, summits & along):
        if some.any():
            return _summit(grain, shifts, some)
    return np.full(2, np.nan)


def _correlation(first: Leg, second: Leg, inside: Array) -> Array:
    """(H, W) of the whites' logarithms, by shift; no shift is at (0, 0)."""
    window = np.sin(0.5 * np.pi * inside / inside.max()) ** 2  # edges would be grain, too
    spectra = []
    for leg in (first, second):
        light = np.log(np.maximum(leg.white, 1e-3))
        spectra.append(np.fft.fft2(window * (light - np.average(light, weights=window))))
    cross = spectra[1] * spectra[0].conj()
    rate = np.hypot(*np.meshgrid(*(np.fft.fftfreq(size) for size in cross.shape[::-1])))
    band = np.exp(-0.5 * (rate / _FINEST) ** 2) * -np.expm1(-0.5 * (rate / _COARSEST) ** 4)
    return np.asarray(np.fft.ifft2(band * cross / np.maximum(np.abs(cross), 1e-30)).real)


def _seen_at(leg: Leg, pixel: Array) -> Array:
    """(2,) where the camera sees a pixel of the projector, by the picture as a whole."""
    return np.asarray(np.linalg.solve(leg.affine[:, :2], pixel - leg.affine[:, 2]))


def _summit(grain: Array, shifts: Array, summits: BoolArray) -> Array:
    """(2,) the shift of the highest one, between pixels by parabolas through its neighbours."""
    at = np.unravel_index(int(np.argmax(np.where(summits, grain, -np.inf))), grain.shape)
    found = shifts[at].copy()
    for k, axis in ((0, 1), (1, 0)):
        left, middle, right = (np.roll(grain, -step, axis=axis)[at] for step in (-1, 0, 1))
        found[k] += 0.5 * (left - right) / min(left - 2.0 * middle + right, -1e-30)
    return np.asarray(found)
