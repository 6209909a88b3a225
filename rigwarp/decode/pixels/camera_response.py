"""What tells the camera's response: the uniform grey frames, and the stripes where these fit any power law."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.pixels.full_frame import shown_frames
from rigwarp.decode.pixels.layout import AxisLayout
from rigwarp.decode.signal.response import Response, assumed_response, estimate_response
from rigwarp.decode.signal.signal_model import UNSURE_SHAPE, shape_by_stripes
from rigwarp.errors import MeasurementError
from rigwarp.geometry.arrays import GOLDEN
from rigwarp.patterns import PatternSet
from rigwarp.rig import decode_transfer

Codes = NDArray[np.unsignedinteger]

EIGHT_BITS = 255
_SAMPLE = 9_000  # pixels from which noise and harmonics are learnt
_PIECES, _KNIGHT = 8, 3  # of a row, and how far on the next row's lies


@dataclass(frozen=True, kw_only=True)
class ResponseFinder:
    """Finds the response of photographs (F) x (H, W) at pixels (H, W) that are `usable`.

    Attributes
    ----------
    patterns, layouts : what was shown, and its stripes along x and y.
    eight_bits : whether the camera's own codes have so many, as most pictures that are coded for screens.
    followed : whether the exposure followed the picture: then grey frames tell nothing, and the usual one is taken.
    """

    patterns: PatternSet
    layouts: tuple[AxisLayout, AxisLayout]
    eight_bits: bool
    followed: bool

    def by_levels(
        self, photos: Sequence[Codes], usable: NDArray[np.bool_], shape: tuple[float, float] | None = None
    ) -> Response:
        """By the grey frames; `shape` is the power law with its 1-sigma, where something else tells it."""
        levels = {code: photos[index] for code, index in self.patterns.level_indices().items()}
        full_scale = int(np.iinfo(photos[0].dtype).max)
        if self.followed:
            codes = sorted(levels)
            light = decode_transfer(np.array(codes) / EIGHT_BITS, self.patterns.transfer)
            return assumed_response(codes, light, full_scale, usually_coded=self.eight_bits)
        return estimate_response(levels, usable, full_scale, usually_coded=self.eight_bits, shape=shape)

    def by_stripes(
        self, found: Response, photos: Sequence[Codes], usable: NDArray[np.bool_], lit: Callable[[], NDArray[np.bool_]]
    ) -> Response:
        """The response that the grey frames tell, by all photographs where those alone fit any power law.

        `lit` says which of the usable pixels the projector lights; it is asked only then.
        """
        if self.followed or found.shape_sigma < UNSURE_SHAPE:
            return found
        sample = pixel_sample(photos, lit(), shown_frames(self.layouts))
        return self.by_levels(photos, usable, shape_by_stripes(found, sample, self.layouts))


def pixel_sample(photos: Sequence[Codes], usable: NDArray[np.bool_], shown: list[int]) -> Codes:
    """(F, N) usable pixels, none that saturates: pieces of rows, since memory is read in runs.

    To a camera that looks square on, a row is one phase of the stripes along it, and rows at equal distances are few
    phases: an error curve that has the same value at all of them is fitted to noise. So the pieces are short, of many
    rows, and these at unequal distances.
    """
    step = max(1.0, np.count_nonzero(usable) / (_SAMPLE * _PIECES))
    number = np.arange(int(usable.shape[0] / step))
    rows = ((number + number * GOLDEN % 1.0) * step).astype(np.int64)
    columns = np.arange(usable.shape[1]) * _PIECES // usable.shape[1]
    kept = usable[rows] & (columns == (number * _KNIGHT % _PIECES)[:, None])
    sample = np.stack([photo[rows][kept] for photo in photos])
    burnt = sample[shown].max(axis=0) == np.iinfo(sample.dtype).max
    if burnt.all():
        raise MeasurementError("the camera's picture saturates everywhere: expose less and scan again")
    return sample[:, ~burnt]
