"""A view's map from photographs of printed sheets: a few hundred corners instead of a million pixels.

The first photograph says where the table frame lies (its sheet is where [view.target] puts it); sheets of the others
lie anywhere on the table, and their places are found along with the rest.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from rigwarp.camera import SheetSigma
from rigwarp.geometry import Array, IntArray, ViewMap
from rigwarp.rig import Table, Target
from rigwarp.view.lean import LeanDoubt
from rigwarp.view.parts import ViewPart
from rigwarp.view.printed.field import Conditioned, Field, likeliest
from rigwarp.view.printed.found import SheetCorners
from rigwarp.view.printed.map import map_by_sheets
from rigwarp.view.printed.unknowns import SheetPlace, Unknowns, join_corners

_PASSES = 4


@dataclass(frozen=True, kw_only=True)
class SheetFit:
    """A view's map from sheets.

    Attributes
    ----------
    view_map : the result; `measured` is True near corners.
    lean_doubt : how well its lean is known.
    parts : the design as registered.
    places : of the sheets, one per photograph.
    residual_mm, sigma_mm : (N, 2) each corner from what all others say, and the 1-sigma of that.
    pixels_px, zone : (N, 2), (N,) of these corners.
    field : how far built and registered design differ, over what distance, and the noise of corners.
    shifts : (12,) by number of the part, how camera and mirror had to be moved (mm, rad, mm, rad).
    tied : whether sheets that several parts see join all parts; else their places rest on tolerances.
    strays : corners left out because they contradict all others.
    """

    view_map: ViewMap
    lean_doubt: LeanDoubt
    parts: tuple[ViewPart, ...]
    places: tuple[SheetPlace, ...]
    residual_mm: Array
    sigma_mm: Array
    pixels_px: Array
    zone: IntArray
    field: Field
    shifts: tuple[Array, ...]
    tied: bool
    strays: int


def fit_sheets(
    parts: Sequence[ViewPart],
    found: Sequence[SheetCorners],
    target: Target,
    table: Table,
    sheet: SheetSigma,
) -> SheetFit:
    """Fit the map of a view to corners of sheets.

    Parameters
    ----------
    parts : the design.
    found : by photograph and zone.
    target : the sheet, and where that of the first photograph lies.
    sheet : how well the print and its height are known.

    Raises
    ------
    MeasurementError
        Too few corners, or the first sheet does not lie where it should.
    """
    corners = join_corners(parts, found)
    problem = Unknowns(parts, corners, target, table, sheet)
    problem.require_first_place()
    width = parts[0].model.projector.resolution[0]
    for number in range(_PASSES):
        sightings = problem.linearised()
        if number != _PASSES - 2:  # looked for once more after the first move, and after strays are left out
            field = likeliest(sightings, problem.prior, width)
        told = Conditioned(sightings, problem.prior, field)
        if number == _PASSES - 2:
            problem.drop(told.left_out)
            told = Conditioned(problem.linearised(), problem.prior, field)
        problem.now, covariance = told.unknowns
    residual, sigma = told.left_out
    view_map, lean_doubt = map_by_sheets(problem, told, table)
    return SheetFit(
        view_map=view_map,
        lean_doubt=lean_doubt,
        parts=problem.moved,
        places=problem.places(covariance),
        residual_mm=residual,
        sigma_mm=sigma,
        pixels_px=problem.corners.pixels_px,
        zone=problem.corners.zone,
        field=field,
        shifts=tuple(problem.shifts(i) for i in range(len(parts))),
        tied=problem.tied,
        strays=problem.strays,
    )
