"""What a renderer takes and gives: the contract that every renderer keeps."""

from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import InputError
from rigwarp.rig import Transfer
from rigwarp.rig.transfer import decode_transfer

Picture = NDArray[np.uint8]
MAX_SIDE_PX = 8192
CONTENT_TRANSFER: Transfer = "srgb"
"""Pictures are taken to be sRGB, as nearly all are."""


class Renderer(Protocol):
    """Turns a picture into the frame that the projector has to show."""

    def render(self, picture: Picture) -> Picture:
        """(h, w, 3) RGB picture -> (H, W, 3) RGB projector frame, both 8-bit.

        In linear light: sRGB decode, n x n bilinear taps (black outside the picture), gain, projector curve.
        """

    def close(self) -> None:
        """Free what the renderer holds; calling it twice is fine."""


def light_of_codes() -> NDArray[np.float64]:
    """(256,) linear light of the picture's code values."""
    return decode_transfer(np.arange(256) / 255.0, CONTENT_TRANSFER)


def checked(picture: NDArray[Any]) -> Picture:
    """The picture itself, if it is one; InputError otherwise."""
    if picture.dtype != np.uint8 or picture.ndim != 3 or picture.shape[2] != 3 or 0 in picture.shape:
        raise InputError(f"a picture must be 8-bit RGB (h, w, 3); this one is {picture.dtype} {picture.shape}")
    return picture
