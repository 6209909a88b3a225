"""Photographs put right whose light had changed, so that all look as if they had been taken in one light."""

from collections.abc import Callable, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.photographs.light_model import Frames
from rigwarp.decode.photographs.own_light import LightCourse, find_light_course
from rigwarp.decode.photographs.places import look
from rigwarp.decode.pixels.layout import AxisLayout
from rigwarp.decode.signal.response import Response, coded
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray

Codes = NDArray[np.unsignedinteger]

_PASSES = 2
_MOST_BURNT = 0.3  # of the lit pixels: less is left out
_SMOOTHING_PX = 4.0  # sigma, over which it is looked where light was added
_MOST_SHARE = 2.0  # of it, that a place gets
_FINE = 1 << 18  # entries of the table from light to codes
FULL_16 = np.iinfo(np.uint16).max
"""Of photographs that were put right."""
_THREADS = 2


def even_out(
    photos: Sequence[Codes],
    usable: BoolArray,
    frames: Frames,
    layouts: tuple[AxisLayout, AxisLayout],
    response: Response,
    responded: Callable[[Sequence[Codes]], Response],
    labels: Sequence[str],
) -> tuple[list[Codes], LightCourse] | None:
    """The photographs in one light, and how it had changed; None where nothing has to be done, or nothing explains it.

    Parameters
    ----------
    usable : (H, W) lit pixels that do not saturate in white.
    response : as the photographs show it.
    responded : the camera's response as evened photographs show it: grey frames of other light spoil it.
    labels : of the photographs.

    Raises
    ------
    MeasurementError
        If much of the picture is burnt out in the brightest of them.
    """
    clear = usable & ~burnt_in_waves(photos, frames)
    waves = [steps for layout in layouts for steps in layout.frames]
    found: tuple[list[Codes], LightCourse] | None = None
    for _ in range(_PASSES):
        seen = look(photos, clear, frames, layouts, response.table())
        course = None if seen is None else find_light_course(seen, frames)
        if course is None:
            break
        with ThreadPoolExecutor(_THREADS) as pool:
            found = list(evened_out(photos, waves, course, response, pool)), course
        response = responded(found[0])
    left_out = 1.0 - np.count_nonzero(clear) / np.count_nonzero(usable)
    if left_out > _MOST_BURNT:
        told = "the light of the photographs differs" if found is None else found[1].in_words(labels)
        raise MeasurementError(
            f"{told}, and {100 * left_out:.0f} % of the lit picture is burnt out in the brightest. Keep daylight and "
            "lamps as they are, lock the camera's exposure or expose less, and scan again"
        )
    return found


def burnt_in_waves(photos: Sequence[Codes], frames: Frames) -> BoolArray:
    """(H, W) where any photograph of waves is at full scale."""
    brightest = np.zeros_like(photos[0])
    for index in frames.index[frames.waves]:
        np.maximum(brightest, photos[index], out=brightest)
    return np.asarray(brightest == np.iinfo(brightest.dtype).max)


def evened_out(
    photos: Sequence[Codes],
    waves: Sequence[Sequence[int]],
    course: LightCourse,
    response: Response,
    pool: Executor,
) -> list[NDArray[np.uint16]]:
    """Photographs (H, W) as they would be with the usual light; full scale stays so.

    In 16 bits, so that a second rounding costs nothing, and in a unit of light that keeps the brightest below full
    scale. Light was added where the scan itself shows it: a dark floor beside the table gets none.

    Parameters
    ----------
    waves : of each sinusoid the photographs of its steps.
    """
    gain, added = course.extended(len(photos))
    added = added * course.contrast
    darkest = added[:, 0] - np.abs(added[:, 1:]).sum(axis=1)
    scale = float(min(1.0, np.min(gain / (1.0 - darkest))))
    table = np.asarray(response.table(), np.float32)
    share = _where_added(photos, waves, gain, added, table)
    recoded = recoder(response)

    def one(photo: Codes, by: float, more: Array) -> NDArray[np.uint16]:
        light = np.take(table, photo)
        light -= share * _field(more, photo.shape)
        light *= np.float32(scale / by)
        return recoded(light, photo)

    return list(pool.map(one, photos, gain, added))


def recoder(response: Response) -> Callable[[NDArray[np.float32], Codes], NDArray[np.uint16]]:
    """From light (H, W), and the photograph that it is of, to codes of 16 bits; full scale stays so."""
    codes = np.rint(coded(np.arange(_FINE) / (_FINE - 1), response.shape) * FULL_16)
    codes = np.minimum(codes, FULL_16 - 1).astype(np.uint16)

    def recoded(light: NDArray[np.float32], photo: Codes) -> NDArray[np.uint16]:
        light *= np.float32(_FINE - 1)
        found = codes[np.minimum(np.maximum(light, 0.0), np.float32(_FINE - 1)).astype(np.int32)]
        found[photo == np.iinfo(photo.dtype).max] = FULL_16
        return np.asarray(found)

    return recoded


def _where_added(
    photos: Sequence[Codes],
    waves: Sequence[Sequence[int]],
    gain: Array,
    added: Array,
    table: NDArray[np.float32],
) -> NDArray[np.float32]:
    """(H, W) how much of the added light each place got: by least squares over the means of each sinusoid's steps."""
    shape = photos[0].shape
    top, bottom = (np.zeros(shape, np.float32) for _ in range(2))
    means = np.stack([np.mean(added[list(frames)] / gain[list(frames), None], axis=0) for frames in waves])
    for frames, mean in zip(waves, means - means.mean(axis=0), strict=True):
        field = _field(mean, shape)
        for index in frames:
            top += np.take(table, photos[index]) * field * np.float32(1.0 / (gain[index] * len(frames)))
        bottom += field * field
    seen, wanted = (np.asarray(cv2.GaussianBlur(part, (0, 0), _SMOOTHING_PX)) for part in (top, bottom))
    return np.asarray(np.clip(seen / np.maximum(wanted, np.finfo(np.float32).tiny), 0.0, _MOST_SHARE), np.float32)


def _field(added: Array, shape: tuple[int, ...]) -> NDArray[np.float32]:
    """(H, W) added light (3,) over a picture."""
    half = 0.5 * float(np.hypot(shape[0], shape[1]))
    down, across = ((np.arange(n) - 0.5 * (n - 1)) / half for n in shape)
    return np.asarray((added[0] + added[2] * down)[:, None] + added[1] * across, np.float32)
