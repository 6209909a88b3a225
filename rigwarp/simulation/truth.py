"""What was really built: the contents of virtual.toml as plain, validated values.

Only the simulation reads these. Lengths in mm, angles in radians, surface errors in mm (the file has um and degrees).
"""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from rigwarp.geometry import Array, Placement
from rigwarp.rig import Transfer
from rigwarp.simulation.mishaps import Mishaps

if TYPE_CHECKING:
    from rigwarp.simulation.view.truth import ViewTruth


@dataclass(frozen=True, kw_only=True)
class SurfaceTruth:
    """The design surface of a mesh mirror in closed form: conic + sum of c x^i y^j, in the mirror frame.

    Attributes
    ----------
    radius_mm : vertex radius of the conic part; infinite = none.
    conic_constant : of the conic part.
    terms : (i, j, c) with c in mm / mm^(i + j).
    aperture_centre_mm : (2,) centre of the reflecting area.
    aperture_size_mm : (width, depth) of a rectangular reflecting area, or None.
    aperture_radius_mm : radius of a round one, or None.
    """

    radius_mm: float
    conic_constant: float
    terms: tuple[tuple[int, int, float], ...]
    aperture_centre_mm: Array
    aperture_size_mm: tuple[float, float] | None
    aperture_radius_mm: float | None


@dataclass(frozen=True, kw_only=True)
class Dent:
    """A Gaussian dimple, `depth_mm` deep along the piece's z, away from the projector; `sigma_mm` is its sigma."""

    piece: int
    position_mm: Array
    sigma_mm: float
    depth_mm: float


@dataclass(frozen=True, kw_only=True)
class BuiltRipple:
    """A sinusoidal height error along a direction, or in rings about the piece's origin (`direction_rad` None)."""

    amplitude_mm: float
    period_mm: float
    direction_rad: float | None
    phase_rad: float


@dataclass(frozen=True, kw_only=True)
class FacetError:
    """One panel's own error: turned about its own x and y, bent about a line in its plane, twisted (a term c x y)."""

    piece: int
    tilt_rad: tuple[float, float]
    curvature_per_mm: float
    bend_rad: float
    twist_per_mm: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Hole:
    """A round hole in a piece."""

    piece: int
    position_mm: Array
    radius_mm: float


@dataclass(frozen=True, kw_only=True)
class BuiltTruth:
    """How the built mirror differs from the design.

    Attributes
    ----------
    radius_percent : growth of the vertex radius of curvature.
    zernike : (n, m, mm) orthonormal terms (the value is the rms over the aperture; m < 0 are the sine terms).
    zernike_radius_mm, zernike_centre_mm : the aperture they are defined on, in the piece's frame.
    seat_shift_mm, seat_turn_rad : (3,) along the table's axes; the turn is a rotation vector about the mirror's origin.
    holes : that the design does not have.
    rim_mm : how far the mirror reaches beyond its designed outline.
    """

    radius_percent: float
    zernike: tuple[tuple[int, int, float], ...]
    zernike_radius_mm: float
    zernike_centre_mm: Array
    dents: tuple[Dent, ...]
    ripples: tuple[BuiltRipple, ...]
    facets: tuple[FacetError, ...]
    seat_shift_mm: Array
    seat_turn_rad: Array
    holes: tuple[Hole, ...] = ()
    rim_mm: float = 0.0


@dataclass(frozen=True, kw_only=True)
class ProjectorTruth:
    """The real projector: errors are relative to rig.toml.

    Attributes
    ----------
    position_error_mm, rotation_error_rad : (3,) along the table's axes (rotation vector about the projection centre).
    throw_ratio_percent : growth of the throw ratio.
    blur_px : sigma of the Gaussian blur of the picture.
    pupil_diameter_mm, pupil_samples : the round exit pupil and how many points stand for it.
    focus_mm : distance of the plane in focus along the optical axis, as if there were no mirror; None = as sharp on
        the table as it gets. (A convex mirror moves it far in front of the table.)
    transfer : light = code ** gamma, or the sRGB curve.
    toe : share by which dark codes are crushed: light * (1 - toe * exp(-code / 0.1)).
    vignetting : share of light lost in the picture's corner (quadratic).
    black_level : light of a black picture as a share of white.
    lamp : light as a share of what it was when the camera's exposure was set.
    """

    position_error_mm: Array
    rotation_error_rad: Array
    throw_ratio_percent: float
    blur_px: float
    pupil_diameter_mm: float
    pupil_samples: int
    focus_mm: float | None
    transfer: Transfer
    toe: float
    vignetting: float
    black_level: float
    lamp: float = 1.0


@dataclass(frozen=True, kw_only=True)
class CameraTruth:
    """The real camera.

    Attributes
    ----------
    placement : R_table_from_camera (optical frame) and the camera's centre.
    focal_px, principal_px : (2,), (2,).
    distortion : (5,) k1 k2 p1 p2 k3.
    thin_prism : (4,) s1 s2 s3 s4, which the five coefficients cannot hold.
    blur_px : sigma of the lens blur.
    vignetting : share of light lost in the frame's corner (quadratic).
    response : code = light ** (1 / gamma), or the sRGB curve.
    exposure : sensor signal per unit of table radiance; None = automatic.
    full_well_e, read_noise_e : electrons.
    """

    placement: Placement
    focal_px: Array
    principal_px: Array
    distortion: Array
    thin_prism: Array
    blur_px: float
    vignetting: float
    response: Transfer
    exposure: float | None
    full_well_e: float
    read_noise_e: float


@dataclass(frozen=True, kw_only=True)
class RoomTruth:
    """The surroundings.

    Attributes
    ----------
    ambient : room light while projecting, as a share of projected white.
    haze : share of the light that is spread widely over the picture.
    albedo : mean diffuse reflectance of the table; texture: its relative rms; both cancel in ratios.
    table_margin_mm : how far the table top reaches beyond the area where light is wanted.
    table_height_error_mm : real minus stated height of the table.
    table_bow_mm : how far the table's middle stands above its rim (of the area where light is wanted).
    table_tilt : its slope along x and y.
    board_height_error_mm, board_tilt : of a board that raises the table: real minus stated height, slope along x and y.
    """

    ambient: float
    haze: float
    albedo: float
    texture: float
    table_margin_mm: float
    table_height_error_mm: float
    table_bow_mm: float = 0.0
    table_tilt: tuple[float, float] = (0.0, 0.0)
    board_height_error_mm: float = 0.0
    board_tilt: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, kw_only=True)
class SheetTruth:
    """The printed sheet: what the user's own ruler did not see, relative growth along x and y, and its thickness.

    `square_mm`, `marker_mm` and `turned_rad` are mistakes of the person: another print, None = the one in rig.toml, and
    the sheet laid down turned about its middle.
    """

    scale_error: tuple[float, float]
    thickness_mm: float
    paper: float
    ink: float
    square_mm: float | None = None
    marker_mm: float | None = None
    turned_rad: float = 0.0


@dataclass(frozen=True, kw_only=True)
class VirtualTruth:
    """Everything in virtual.toml."""

    seed: int
    surface: SurfaceTruth | None
    built: BuiltTruth
    projector: ProjectorTruth
    camera: CameraTruth
    room: RoomTruth
    sheet: SheetTruth
    mishaps: Mishaps = field(default_factory=Mishaps)
    view: "ViewTruth | None" = None
