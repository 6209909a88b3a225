"""What a scan is refused with once its photographs have been looked at: what was found, and what to do."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.decoded import Reason
from rigwarp.decode.photographs.level_change import LevelChange
from rigwarp.decode.photographs.motion import CameraPath
from rigwarp.decode.pixels.full_frame import Pictures
from rigwarp.decode.pixels.layout import AxisLayout
from rigwarp.decode.signal.signal_model import SignalModel, middle_variance, solve_plainly
from rigwarp.errors import MeasurementError

_LONG_PX, _USUAL_PX = 64.0, 20.0  # periods
_LONG_SIGMA_PX = 0.5  # beyond, neighbours scatter so much that they pass for several paths of light
_ASKED = 300  # pixels
_ALL_MOVED = 0.8  # share of the decodable pixels: then the camera or the projector was moved, not a hand in the light


def check_waves(
    sample: NDArray[np.unsignedinteger],
    axes: tuple[AxisLayout, AxisLayout],
    chain: SignalModel,
    ends: tuple[int, int],
) -> None:
    """MeasurementError where (F, N) photographs at lit pixels hold waves so long that their noise leaves no places."""
    few = sample[:, :: max(1, sample.shape[1] // _ASKED)]
    for axis, learnt, name in zip(axes, chain.axes, "xy", strict=True):
        if axis.periods_px[0] <= _LONG_PX:
            continue
        solved = solve_plainly(few, axis, learnt, chain, middle_variance(few, ends, chain))
        sigma_px = float(np.hypot(np.median(solved.sigma_px), learnt.curve_px))
        if not sigma_px <= _LONG_SIGMA_PX:
            raise MeasurementError(
                f"the shortest waves along {name} are {axis.periods_px[0]:g} px long: with the noise of these "
                f"photographs and what is left of the camera's curve they tell places to {sigma_px:.1f} px, "
                f"{_LONG_SIGMA_PX:g} px is the most that makes a map. Show waves of about {_USUAL_PX:g} px as well "
                "(beside the Gray code), or scan with a set of rigwarp's own"
            )


def share_that_moved(pictures: Pictures) -> float:
    """Share of the decodable pixels at which something moved; MeasurementError if it is nearly all of them."""
    moved, other = (np.count_nonzero(pictures.reason == reason) for reason in (Reason.MOVED, Reason.PASSED_BY))
    decodable = moved + other + np.count_nonzero(pictures.reason == Reason.OK)
    if decodable and other > _ALL_MOVED * decodable:
        raise MeasurementError(
            f"the frames shown twice differ in brightness on {100 * other / decodable:.0f} % of the decodable "
            "pixels, and nothing has shifted there: daylight, a lamp or the exposure changed during the scan. Keep "
            "them as they are and scan again"
        )
    if decodable and moved + other > _ALL_MOVED * decodable:
        raise MeasurementError(
            f"the frames shown twice differ on {100 * (moved + other) / decodable:.0f} % of the decodable pixels: "
            "the camera, the projector or the mirror was moved during the scan, or the exposure changed. Fix "
            "everything and scan again"
        )
    return moved / decodable if decodable else 0.0


def exchanged_error(black: str, white: str) -> MeasurementError:
    """Of a black photograph that is brighter than the white one."""
    return MeasurementError(
        f"photograph {black}, which should show black, is brighter than photograph {white}, which should show white: "
        "are photographs exchanged, or is one missing?"
    )


def unlit_error(usable: int, saturated: float, contrast: float) -> MeasurementError:
    """Of a pattern that is seen on few pixels; of all, that share is `saturated`, the rest has less `contrast`."""
    return MeasurementError(
        f"the camera sees the pattern on {usable} usable pixels only ({100 * saturated:.1f} % are saturated, the rest "
        f"show less than {100 * contrast:.1f} % contrast between white and black): check that the projector is on, "
        "that the camera sees the table, and the exposure"
    )


def exposure_error(share: float, so: str) -> MeasurementError:
    """Of an exposure that followed the picture: half of white gave that share of its light, and what came of it."""
    return MeasurementError(
        f"grey of half of white's code has {100 * share:.0f} % of white's light in the photographs, about 20 % are "
        f"usual: the camera's exposure, or the projector's brightness, follows the picture, and {so}. Switch automatic "
        "exposure (and dynamic contrast) off and scan again"
    )


def light_error(change: LevelChange, labels: Sequence[str]) -> MeasurementError:
    """Of grey levels that changed between photographs."""
    if change.bent:
        return MeasurementError(
            f"{change.in_words(labels)}. It would look like ripple of the mirror. Set the camera's picture style to "
            "neutral or standard, contrast to 0, and HDR, dynamic range and beautifying off, hand in photographs that "
            "no program has made prettier, and scan again"
        )
    if change.stranger:
        return MeasurementError(f"{change.in_words(labels)}. Put the photographs right, or scan again")
    return MeasurementError(
        f"{change.in_words(labels)}, which shifts what the stripes tell. Keep daylight and lamps as they are, lock the "
        "camera's exposure, and scan again"
    )


def moved_error(path: CameraPath, labels: Sequence[str]) -> MeasurementError:
    """Of a way of the camera that cannot be taken out."""
    return MeasurementError(
        f"{path.in_words(labels)}; the camera, the projector or the mirror was moved during the scan, which cannot be "
        "put right here. Fix everything and scan again"
    )


def with_doubt(error: MeasurementError, unlike: Sequence[int], labels: Sequence[str]) -> MeasurementError:
    """The same of a scan some of whose photographs are not like their own patterns, which may be what it comes from."""
    which = ", ".join(labels[own] for own in unlike)
    looks = "does not look like its own pattern" if len(unlike) == 1 else "do not look like their own patterns"
    return MeasurementError(f"{error}. Or photographs are exchanged, or one is missing: {which} {looks}")
