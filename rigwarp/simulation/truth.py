"""What was really built: the contents of virtual.toml as plain, validated values, with the keys that hold them.

Only the simulation reads these. Lengths in mm, angles in radians, surface errors in mm (the file has um and degrees).
"""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from rigwarp.geometry import Array, Placement
from rigwarp.rig import Transfer
from rigwarp.rig.section import NOT_NEGATIVE, POSITIVE, SHARE, SHARE_BELOW_1, Limits
from rigwarp.rig.toml_fields import DEGREES, number_key, pair_key, told_key, vector_key
from rigwarp.simulation.mishaps import Mishaps

if TYPE_CHECKING:
    from rigwarp.simulation.view.truth import ViewTruth

PERCENT: Final = Limits(above=-50.0, below=50.0)
_SIGMA_PER_FWHM = 1.0 / (2.0 * math.sqrt(2.0 * math.log(2.0)))
_ON_PIECE = "its middle in the mirror frame (panels: in the panel's own frame: x along its first edge), [x, y]"


@dataclass(frozen=True, kw_only=True)
class SurfaceTruth:
    """The design surface of a mesh mirror in closed form: conic + sum of c x^i y^j, in the mirror frame.

    An infinite radius is none. Of `aperture_size_mm` and `aperture_radius_mm` one is None.
    """

    radius_mm: float = told_key("vertex radius of the conic part; leave it out for none")
    conic_constant: float = number_key("conic constant of the conic part", 0.0)
    terms: tuple[tuple[int, int, float], ...] = told_key("a list of [i, j, c], each adding c x^i y^j, mm")
    aperture_centre_mm: Array = vector_key("middle of the reflecting area, mirror frame, [x, y]", 2, 0.0)
    aperture_size_mm: tuple[float, float] | None = told_key("width and depth of a rectangular reflecting area, [w, d]")
    aperture_radius_mm: float | None = told_key("radius of a round reflecting area")


@dataclass(frozen=True, kw_only=True)
class Dent:
    """A Gaussian dimple in a piece."""

    position_mm: Array = vector_key(_ON_PIECE, 2)
    sigma_mm: float = number_key(
        "full width at half depth of the Gaussian", name="width_mm", limits=POSITIVE, scale=_SIGMA_PER_FWHM
    )
    depth_mm: float = number_key(
        "depth of its middle along the mirror's z, away from the projector (negative: a bump)",
        name="depth_um",
        scale=1e-3,
    )
    piece: int = told_key("number of the panel it is on", name="facet")


@dataclass(frozen=True, kw_only=True)
class BuiltRipple:
    """A sinusoidal height error along a direction, or in rings about the piece's origin (`direction_rad` None)."""

    amplitude_mm: float = number_key("half of peak to valley", name="amplitude_um", scale=1e-3)
    period_mm: float = number_key("distance from crest to crest", limits=POSITIVE)
    direction_rad: float | None = told_key("direction across the crests, from the mirror's x")
    phase_rad: float = number_key("phase at the mirror's origin", 0.0, scale=DEGREES)


@dataclass(frozen=True, kw_only=True)
class FacetError:
    """One panel's own error: turned about its own x and y, bent about a line in its plane, twisted (a term c x y)."""

    piece: int = told_key("number of the panel", name="facet")
    tilt_rad: tuple[float, float] = pair_key("turn about the panel's own x and y, [x, y]", (0.0, 0.0), scale=DEGREES)
    curvature_per_mm: float = told_key("radius of a bend that the panel should not have", name="bend_radius_mm")
    bend_rad: float = number_key("direction of that bend's axis, from the panel's x", 0.0, scale=DEGREES)
    twist_per_mm: float = number_key(
        "twist: how fast the panel's slope along its x grows along its y", 0.0, name="twist_mrad_per_mm", scale=1e-3
    )


@dataclass(frozen=True, kw_only=True)
class Hole:
    """A round hole in a piece."""

    position_mm: Array = vector_key(_ON_PIECE, 2)
    radius_mm: float = number_key("its diameter", name="diameter_mm", limits=POSITIVE, scale=0.5)
    piece: int = told_key("number of the panel it is in", name="facet")


@dataclass(frozen=True, kw_only=True)
class BuiltTruth:
    """How the built mirror differs from the design.

    `zernike` are (n, m, mm) orthonormal terms (the value is the rms over the aperture; m < 0 are the sine terms).
    """

    radius_percent: float = number_key("growth of the vertex radius in per cent", 0.0, PERCENT)
    zernike: tuple[tuple[int, int, float], ...] = told_key("tables [[built.zernike]]: more terms")
    zernike_radius_mm: float = told_key(
        "radius of the circle on which astigmatism and Zernike terms are defined", name="aperture_radius_mm"
    )
    zernike_centre_mm: Array = vector_key("its centre, [x, y]", 2, 0.0, name="aperture_centre_mm")
    dents: tuple[Dent, ...] = told_key("tables [[built.dent]]: Gaussian dents", name="dent")
    ripples: tuple[BuiltRipple, ...] = told_key("tables [[built.ripple]]: ripples", name="ripple")
    facets: tuple[FacetError, ...] = told_key("tables [[built.facet]]: errors of single panels", name="facet")
    holes: tuple[Hole, ...] = told_key(
        "tables [[built.hole]]: round holes that the design does not have", name="hole", default=()
    )
    rim_mm: float = number_key(
        "how far the mirror reaches beyond its designed outline (negative: short of it); not where panels meet",
        0.0,
        Limits(at_least=-50.0, at_most=50.0),
    )
    seat_shift_mm: Array = vector_key("shift of the whole mirror along the table's axes, [x, y, z]", 3, 0.0)
    seat_turn_rad: Array = vector_key(
        "turn of the whole mirror about its origin, rotation vector along the table's axes", 3, 0.0, scale=DEGREES
    )


@dataclass(frozen=True, kw_only=True)
class ProjectorTruth:
    """The real projector: errors are relative to rig.toml.

    The pupil is round. `focus_mm` is measured along the optical axis, as if there were no mirror: a convex one moves
    the plane far in front of the table. `toe` makes light * (1 - toe * exp(-code / 0.1)); vignetting is quadratic.
    """

    position_error_mm: Array = vector_key("real minus stated position, [x, y, z]", 3, 0.0)
    rotation_error_rad: Array = vector_key(
        "extra turn about the projection centre, rotation vector along the table's axes", 3, 0.0, scale=DEGREES
    )
    throw_ratio_percent: float = number_key("growth of the throw ratio in per cent", 0.0, PERCENT)
    blur_px: float = number_key("sigma of the picture's blur in projector pixels", 0.5, NOT_NEGATIVE)
    pupil_diameter_mm: float = number_key("diameter of the exit pupil", 3.0, NOT_NEGATIVE)
    pupil_samples: int = told_key("how many points stand for the pupil: 1, 7, 19 or 37")
    focus_mm: float | None = number_key(
        "distance of the plane in focus before the mirror bends it; left out: as sharp on the table as it gets",
        None,
        POSITIVE,
    )
    transfer: Transfer = told_key('the real transfer curve: a power or "srgb"', name="gamma")
    toe: float = number_key("how much of their light the darkest codes lose, 0 to 1", 0.0, SHARE)
    vignetting: float = number_key("share of light lost in the picture's corners", 0.15, SHARE_BELOW_1)
    black_level: float = number_key("light of a black picture as a share of white", 0.001, SHARE_BELOW_1)
    lamp: float = number_key(
        "light of the lamp as a share of what it was when the camera's exposure was set",
        1.0,
        Limits(above=0.0, at_most=2.0),
    )


@dataclass(frozen=True, kw_only=True)
class CameraTruth:
    """The real camera; `placement` is R_table_from_camera (optical frame) and the camera's centre.

    Vignetting is quadratic; without an exposure it is automatic.
    """

    placement: Placement
    focal_px: Array = told_key("focal length in pixels, one number or [x, y]")
    principal_px: Array = told_key("principal point; the picture's middle when left out")
    distortion: Array = vector_key("[k1, k2, p1, p2, k3]", 5, 0.0)
    thin_prism: Array = vector_key("[s1, s2, s3, s4]: the little that the five cannot hold", 4, 0.0)
    blur_px: float = number_key("sigma of the lens blur", 0.6, NOT_NEGATIVE)
    vignetting: float = number_key("share of light lost in the frame's corners", 0.25, SHARE_BELOW_1)
    response: Transfer = told_key('"srgb" or a power p: code = light ** (1 / p)')
    exposure: float | None = number_key(
        "sensor signal per unit of table radiance; leave it out for automatic", None, POSITIVE
    )
    full_well_e: float = number_key("electrons at full scale", 12000.0, POSITIVE)
    read_noise_e: float = number_key("read noise in electrons", 5.0, NOT_NEGATIVE)


@dataclass(frozen=True, kw_only=True)
class RoomTruth:
    """The surroundings. Albedo and texture cancel in ratios; tilts are slopes along x and y."""

    ambient: float = number_key("room light while projecting, as a share of projected white", 0.03, NOT_NEGATIVE)
    haze: float = number_key("share of the light that is spread widely over the picture", 0.03, SHARE_BELOW_1)
    albedo: float = number_key("reflectance of the table", 0.8, Limits(above=0.0, at_most=1.0))
    texture: float = number_key(
        "relative rms of the table's unevenness in reflectance", 0.01, Limits(at_least=0.0, below=0.2)
    )
    table_margin_mm: float = number_key(
        "how far the table top reaches beyond the area where light is wanted", 20.0, NOT_NEGATIVE
    )
    table_height_error_mm: float = number_key("real minus stated height of the table", 0.0)
    table_bow_mm: float = number_key(
        "how far the table's middle stands above its rim; falls off with the square of the distance",
        0.0,
        Limits(at_least=-20.0, at_most=20.0),
    )
    table_tilt: tuple[float, float] = (0.0, 0.0)
    board_height_error_mm: float = number_key(
        "real minus stated height of the board that raises the table for a second scan", 0.0
    )
    board_tilt: tuple[float, float] = told_key(
        "how that board rises along the table's [x, y]", name="board_tilt_deg", default=(0.0, 0.0)
    )


@dataclass(frozen=True, kw_only=True)
class SheetTruth:
    """The printed sheet.

    `square_mm`, `marker_mm` and `turned_rad` are mistakes of the person: another print, None = the one in rig.toml, and
    the sheet laid down turned about its middle.
    """

    scale_error: tuple[float, float] = pair_key(
        "growth of the print that the user's ruler did not see, [x, y]",
        (0.0, 0.0),
        PERCENT,
        name="scale_error_percent",
        scale=0.01,
    )
    thickness_mm: float = number_key("thickness of the sheet", 0.0, NOT_NEGATIVE)
    paper: float = number_key("reflectance of the paper", 0.85, SHARE)
    ink: float = number_key("reflectance of the ink", 0.05, SHARE)
    square_mm: float | None = number_key(
        "side of the squares of the sheet that is used, where it is another than rig.toml says", None, POSITIVE
    )
    marker_mm: float | None = number_key("side of its markers", None, POSITIVE)
    turned_rad: float = number_key(
        "how far the sheet lies turned against what rig.toml says, about its middle, from x to y", 0.0, scale=DEGREES
    )


@dataclass(frozen=True, kw_only=True)
class VirtualTruth:
    """Everything in virtual.toml."""

    seed: int = told_key("the whole number that all random numbers start from")
    surface: SurfaceTruth | None = told_key("the table with the closed form of a mirror that rig.toml gives as a file")
    built: BuiltTruth = told_key("the table with what went wrong in making and seating the mirror")
    projector: ProjectorTruth = told_key("the table with the real projector")
    camera: CameraTruth = told_key("the table with the real camera")
    room: RoomTruth = told_key("the table with the surroundings")
    sheet: SheetTruth = told_key("the table with the printed sheet")
    view: "ViewTruth | None" = told_key(
        "the table with the real view, the installation's own camera and its mirrors", default=None
    )
    mishaps: Mishaps = told_key("the table with what goes wrong while photographs are taken", default_factory=Mishaps)
