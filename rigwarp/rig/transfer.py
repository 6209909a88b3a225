"""Transfer curves: code value (0..1) <-> linear light (0..1)."""

import numpy as np

from rigwarp.geometry import Array
from rigwarp.rig.model import Transfer

# IEC 61966-2-1 (sRGB): linear below the break, a shifted power above it.
_SRGB_CODE_BREAK = 0.04045
_SRGB_LIGHT_BREAK = 0.0031308
_SRGB_SLOPE = 12.92
_SRGB_OFFSET = 0.055
_SRGB_POWER = 2.4


def decode_transfer(code: Array, transfer: Transfer) -> Array:
    """Linear light of code values, both 0..1 (clipped); any shape.

    `transfer` is a power (light = code ** gamma) or "srgb" (IEC 61966-2-1).
    """
    code = np.clip(code, 0.0, 1.0)
    if transfer != "srgb":
        return np.power(code, transfer)
    curved = ((code + _SRGB_OFFSET) / (1 + _SRGB_OFFSET)) ** _SRGB_POWER
    return np.where(code <= _SRGB_CODE_BREAK, code / _SRGB_SLOPE, curved)


def encode_transfer(light: Array, transfer: Transfer) -> Array:
    """Code values that give this linear light, both 0..1 (clipped); the inverse of `decode_transfer`."""
    light = np.clip(light, 0.0, 1.0)
    if transfer != "srgb":
        return np.power(light, 1.0 / transfer)
    curved = (1 + _SRGB_OFFSET) * light ** (1 / _SRGB_POWER) - _SRGB_OFFSET
    return np.where(light <= _SRGB_LIGHT_BREAK, light * _SRGB_SLOPE, curved)
