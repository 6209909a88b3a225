"""What a deviation's shape may mean in a workshop: the one table that findings and report both quote.

Common practice, not a diagnosis; springback as the usual cause of a wrong focal length is from Andraka et al., ASME
ES2009-90163.
"""

from typing import Final, NamedTuple


class WorkshopHint(NamedTuple):
    """Name of a deviation, likely cause and remedy; without a remedy it is a matter of mounting, not of shape."""

    name: str
    cause: str
    remedy: str = ""


_HINTS: Final = {
    (0, 0): WorkshopHint("piston", "height or distance; seldom observable"),
    (1, 1): WorkshopHint("tilt", "angle of the mount, not shape"),
    (2, 0): WorkshopHint(
        "radius off",
        "wrong radius by springback of the sheet, or drawn too far or too little",
        "over-form the mould by the share that is missing",
    ),
    (2, 2): WorkshopHint(
        "astigmatism", "uneven clamping, or the grain of the sheet", "clamp evenly, turn the sheet's grain"
    ),
    (3, 3): WorkshopHint(
        "trefoil", "a three-point mount that pulls", "mount without force: pads or springs at the three points"
    ),
    (3, 1): WorkshopHint(
        "coma", "shape tilted or shifted in its mount", "seat the mirror against stops and scan again"
    ),
    (4, 4): WorkshopHint(
        "quadrafoil", "four corners held", "let the corners slide, or hold the mirror in three points"
    ),
    (4, 0): WorkshopHint(
        "spherical form error", "a flat centre or a turned-down edge", "dwell longer in the mould, or correct it"
    ),
}


def workshop_hint(n: int, m: int) -> WorkshopHint | None:
    """The hint for a Zernike term; None where there is none.

    The sign of m says which way a form lies, so (2, -2) is the same bending as (2, 2), turned by 45 degrees.
    """
    return _HINTS.get((n, abs(m)))
