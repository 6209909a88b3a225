"""Names for the array types used everywhere."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.signedinteger[Any]]

LARGEST = 1e60
"""What is larger, or nearer to 0 than its inverse, is no measured number, and its products are none at all."""

Photo = NDArray[np.uint8] | NDArray[np.uint16]
"""(H, W[, 3]) a photograph: code values as the camera gave them."""
