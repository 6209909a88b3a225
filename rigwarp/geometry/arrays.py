"""Names for the array types used everywhere, and records of arrays with a row for each of many things."""

from dataclasses import dataclass, fields, replace
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.signedinteger[Any]]

LARGEST = 1e60
"""What is larger, or nearer to 0 than its inverse, is no measured number, and its products are none at all."""

GOLDEN = 0.6180339887498949
"""The golden section: multiples of it, less their whole parts, fill 0..1 evenly, however few or many."""

Photo = NDArray[np.uint8] | NDArray[np.uint16]
"""(H, W[, 3]) a photograph: code values as the camera gave them."""


@dataclass(frozen=True, kw_only=True)
class Rows:
    """N things: every field is an array with a row for each."""

    def only(self, which: BoolArray | IntArray | slice) -> Self:
        """Those that a mask, numbers or a slice picks."""
        return replace(self, **{one.name: getattr(self, one.name)[which] for one in fields(self)})
