"""What becomes of a pixel's light."""

from enum import IntEnum


class LightFate(IntEnum):
    """Why a pixel does or does not light the table by way of the mirror."""

    LIT = 0
    """It reaches the table by one reflection."""
    MISSES_MIRROR = 1
    """It passes the mirror and does not reach the table either."""
    SPILL = 2
    """It passes the mirror and reaches the table plane directly."""
    SHADOW_IN = 3
    """An obstacle, or part of the mirror itself, blocks it on its way to the mirror."""
    SHADOW_OUT = 4
    """An obstacle, or the back or rim of the mirror, blocks it on its way from the mirror to the table."""
    UPWARD = 5
    """It leaves the mirror without ever coming down to the table."""
    DOUBLE_BOUNCE = 6
    """It meets the mirror's reflecting side a second time."""
    STRAY = 7
    """It meets a face of a CAD model that is no piece of mirror: a chamfer, a rounding, an engraved wall, a bracket."""
