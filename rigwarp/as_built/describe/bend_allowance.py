"""What a fold takes of a flat sheet: the length of its neutral axis round the bend.

A = theta (R + k t) with the inside radius R, the thickness t and the neutral axis k t from the inside; Machinery's
Handbook, "Lengths of straight stock required for bends", has it for 90 degrees as 1.57 R + 0.55 t for soft copper and
brass (k = 0.35), 0.64 t for soft steel and aluminium (0.41), 0.71 t for spring and cold-rolled steel (0.45).
"""

import math

from rigwarp.rig import Sheet


def allowance_mm(bend_deg: float, sheet: Sheet) -> float:
    """The neutral axis' length round a fold of this angle, 0 for flat."""
    return math.radians(bend_deg) * (sheet.fold_radius_mm + sheet.k_factor * sheet.thickness_mm)


def taken_off_mm(bend_deg: float, sheet: Sheet, *, towards_light: bool) -> float:
    """By how much the flat is shorter than its two panels, which are drawn on the reflecting side up to a sharp fold.

    Each ends before the fold by the tangent of half its angle times the radius of that side; negative: it is longer.
    """
    radius_mm = sheet.fold_radius_mm + (0.0 if towards_light else sheet.thickness_mm)
    return 2.0 * radius_mm * math.tan(math.radians(bend_deg) / 2.0) - allowance_mm(bend_deg, sheet)
