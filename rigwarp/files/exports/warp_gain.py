"""The gain beside an exported warp, as pictures."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array
from rigwarp.prewarp import Prewarp
from rigwarp.rig.transfer import encode_transfer

_FULL: Final = 65535

GAIN_NOTES: Final = """\
* `gain.png`: grey, 16 bits, {width} x {height}, the projector's own pixels, row 0 at the top: the factor on *linear
  light*, 65535 = 1, 0 = black. It evens out the brightness and blacks out what lies beside the content.
* `gain_code.png`: the same for programs that multiply code values without linearising them: the code value that the
  projector ({transfer}) needs for that share of white. {exact}
"""
ZONE_NOTES: Final = """\
* `gain_zone_0.png`, `gain_zone_1.png`, ...: `gain.png`, black where another zone's mesh is in charge. Meshes of
  neighbouring zones reach a little into each other: draw each, multiply by its own gain, and add.
"""


def gain_pictures(prewarp: Prewarp, *, by_zone: bool) -> dict[str, NDArray[np.uint16]]:
    """File name -> 16-bit picture; with `by_zone` also one per zone where there is more than one."""
    found = {
        "gain.png": sixteen_bits(prewarp.gain),
        "gain_code.png": sixteen_bits(encode_transfer(prewarp.gain.astype(float), prewarp.transfer)),
    }
    zones = np.unique(prewarp.triangle_zone)
    if by_zone and len(zones) > 1:
        found |= {f"gain_zone_{z}.png": sixteen_bits(np.where(prewarp.zone == z, prewarp.gain, 0.0)) for z in zones}
    return found


def gain_notes(prewarp: Prewarp, *, by_zone: bool) -> str:
    """What README.md says of them."""
    power = prewarp.transfer != "srgb"
    width, height = prewarp.projector_resolution
    said = GAIN_NOTES.format(
        width=width,
        height=height,
        transfer=f"gamma {prewarp.transfer:g}" if power else "sRGB curve",
        exact="For a power curve that is exact." if power else "For the sRGB curve that is approximate.",
    )
    return said + (ZONE_NOTES if by_zone and len(np.unique(prewarp.triangle_zone)) > 1 else "")


def sixteen_bits(share: Array | NDArray[np.float32]) -> NDArray[np.uint16]:
    """Values 0 .. 1 as 16-bit grey."""
    return np.asarray(np.round(_FULL * np.clip(np.asarray(share, np.float64), 0.0, 1.0)), np.uint16)
