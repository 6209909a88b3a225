"""What is no sample's figure but a mishap: named, and refused."""

import numpy as np

from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array
from rigwarp.samples.bench import Sheet
from rigwarp.samples.leg import Leg
from rigwarp.samples.pair import Pair
from rigwarp.samples.registered import Nodes

_DULL, _BRIGHT = 0.3, 1.25  # relative reflectance that no mirror has
_FILM_LOST, _FILM_VEIL = 0.25, 0.75  # of the light beyond 16 mrad and 4 mrad: no mirror, but its film or its back
_WIDE_PX, _KEPT = 16, 0.25  # stripes of which the worst mirror keeps most, and a film next to nothing
_UNLIKE = 0.05  # ln of how a sample's reflectance differs when it is laid in again
_SEEN = 0.75  # of the picture of the seat that the reference shows: waves leave some of it too dark to count
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
