"""What was designed: the contents of rig.toml as plain, validated values, with the keys that hold them.

Inside angles are radians and rotations matrices; in the file angles are degrees.
"""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from rigwarp.geometry import Array, Placement
from rigwarp.rig.section import NOT_NEGATIVE, POSITIVE, Limits
from rigwarp.rig.toml_fields import DEGREES, number_key, pair_key, told_key, vector_key

Shape = Literal["circle", "rectangle"]
BoardLayout = Literal["new", "old"]
Transfer = float | Literal["srgb"]
"""A transfer curve: a power (light = code ** gamma) or the IEC 61966-2-1 curve."""

PAPER_MM: Final = 0.1
"""Thickness of ordinary office paper, 80 g/m2."""
RULER_MM: Final = 200.0
"""Length of the rulers that are printed beside a target."""
_SHAPE = '"circle" or "rectangle"'
_POSITION_KNOWN = "the 1-sigma of how well the position is known, 0.01 if it cannot be elsewhere"
_ORIENTATION_KNOWN = "the 1-sigma of how well the orientation is known, 0.001 if it cannot be otherwise"
_SHIFT = Limits(at_least=-2.0, at_most=2.0)  # a share; beyond two pictures it is a percentage by mistake
_THICKNESS = Limits(at_least=0.0, at_most=100.0)  # mm; thicker than any board that one lays on a table to print on
_USUAL_K = 0.41  # soft steel and aluminium; see as_built/describe/flat_sheet.py


Channel = Literal["grey", "red", "green", "blue"]
CHANNELS: Final[tuple[Channel, ...]] = ("grey", "red", "green", "blue")


@dataclass(frozen=True, kw_only=True)
class Lens:
    """A camera's calibrated lens in OpenCV's model: `matrix` (3, 3) pixels, `distortion` (5,) k1, k2, p1, p2, k3.

    `sigma_px` is how far a pixel's line of sight may be off across the picture, 1-sigma. `covariance` (9, 9) is that of
    fx, fy, cx, cy and the distortion; None for a lens of which no more than `sigma_px` is known.
    """

    matrix: Array
    distortion: Array
    sigma_px: float = 0.0
    covariance: Array | None = None


@dataclass(frozen=True, kw_only=True)
class Projector:
    """A pinhole projector; or a camera in its place, whose rays are followed from the pixel to the table.

    `placement` is the centre of projection and R_table_from_projector (x right, y down, z forward); tolerances are per
    axis. `lens` is a camera's, which then stands for throw ratio and lens shift; None for a pinhole.
    """

    resolution: tuple[int, int] = told_key("the native pixels, [width, height]")
    throw_ratio: float = number_key("the distance / image width, from the data sheet", limits=POSITIVE)
    lens_shift: tuple[float, float] = pair_key(
        "the share of the image width / height by which its centre is off the axis; + is right, up", (0.0, 0.0), _SHIFT
    )
    placement: Placement
    position_tolerance_mm: float = number_key(_POSITION_KNOWN, 3.0, POSITIVE)
    rotation_tolerance_rad: float = number_key(_ORIENTATION_KNOWN, 1.0, POSITIVE, scale=DEGREES)
    transfer: Transfer = told_key('the exponent of the transfer curve (most projectors: 2.2), or "srgb"', name="gamma")
    lens: Lens | None = None

    @property
    def focal_px(self) -> float:
        """Focal length in pixels, the same along both axes (square pixels)."""
        return self.throw_ratio * self.resolution[0]

    @property
    def principal_px(self) -> Array:
        """(2,) pixel on the optical axis; pixel (0, 0) is the centre of the top-left pixel."""
        width, height = self.resolution
        return np.array([(width - 1) / 2 - self.lens_shift[0] * width, (height - 1) / 2 + self.lens_shift[1] * height])


@dataclass(frozen=True, kw_only=True)
class ConicShape:
    """A conic of revolution with even polynomial terms (ISO 10110-12 sag), vertex at the mirror's origin."""

    radius_mm: float = told_key("the radius of curvature at the vertex, negative when the surface bends towards -z")
    conic_constant: float = number_key(
        "0 for a sphere, -1 for a paraboloid, below -1 for a hyperboloid, else an ellipsoid", 0.0
    )
    coefficients_mm: tuple[float, ...] = told_key("the even polynomial terms of r^4, r^6, ... added to the sag")
    aperture_mm: tuple[float, float] = told_key("the radii between which the mirror reflects, [inner, outer]")


@dataclass(frozen=True, kw_only=True)
class ProfileShape:
    """A surface of revolution about the mirror's z axis, from a table of r and z in `file`."""

    file: str = told_key("a CSV file with the columns r_mm, z_mm in the rig folder")


@dataclass(frozen=True, kw_only=True)
class MeshShape:
    """A CAD export in `file`; `reflecting_side` is a unit vector in the mirror frame, `crease_rad` None = automatic."""

    file: str = told_key("the CAD file (STL, PLY, OBJ, 3MF, glTF or STEP) in the rig folder")
    reflecting_side: Array = told_key('the side that reflects: "+x", "-x", "+y", "-y", "+z", "-z", or [x, y, z]')
    crease_rad: float | None = number_key(
        "the bend from which on an edge is a crease, or leave it out to have creases found",
        None,
        Limits(above=0.0, below=180.0),
        scale=DEGREES,
    )


@dataclass(frozen=True, kw_only=True)
class Facet:
    """One panel: corners (N, 3) in the mirror frame; single-curved where `bend_radius_mm` and `bend_axis` are given."""

    corners_mm: Array = told_key("the panel's corners in order round its rim, mirror frame, [[x, y, z], ...]")
    bend_radius_mm: float | None = told_key("the radius of a single-curved panel, together with bend_axis")
    bend_axis: Array | None = told_key("the direction of the bend's axis, mirror frame, together with bend_radius_mm")


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """What panels are bent from."""

    thickness_mm: float = number_key(
        "the thickness of the sheet that the panels are folded from", name="sheet_mm", limits=POSITIVE
    )
    fold_radius_mm: float = number_key("the radius inside its folds, together with sheet_mm", 0.0, NOT_NEGATIVE)
    k_factor: float = number_key(
        "where its neutral axis lies in a fold, from the inside, as a share of sheet_mm",
        _USUAL_K,
        Limits(at_least=0.0, at_most=0.5),
    )


@dataclass(frozen=True, kw_only=True)
class FacetsShape:
    """A mirror of one or more panels; `sheet` None: the stock is not told."""

    facets: tuple[Facet, ...] = told_key("one table [[mirror.facet]] for each panel", name="facet")
    sheet: Sheet | None = None


MirrorShape = ConicShape | ProfileShape | MeshShape | FacetsShape


@dataclass(frozen=True, kw_only=True)
class Mirror:
    """The design mirror: its shape in its own frame and where it is mounted (placement.part = mirror frame)."""

    shape: MirrorShape
    placement: Placement
    position_tolerance_mm: float = number_key(_POSITION_KNOWN, 1.0, POSITIVE)
    rotation_tolerance_rad: float = number_key(_ORIENTATION_KNOWN, 0.5, POSITIVE, scale=DEGREES)
    material: str | None = told_key(
        "the sample of its material that was measured: the path from here to BENCH, then /NAME", default=None
    )


@dataclass(frozen=True, kw_only=True)
class Obstacle:
    """Something that blocks light, as a mesh in `file`."""

    file: str = told_key("its shape (STL, PLY, OBJ, 3MF, glTF or STEP) in the rig folder")
    placement: Placement


@dataclass(frozen=True, kw_only=True)
class Table:
    """The surface that is lit: centred on the table frame's origin, horizontal, at `height_mm`.

    `size_mm` is (width, depth); a circle has both equal to its diameter.
    """

    shape: Shape = told_key(_SHAPE)
    size_mm: tuple[float, float]
    height_mm: float = number_key("the height of the surface that is lit, table frame", 0.0)


@dataclass(frozen=True, kw_only=True)
class Content:
    """The canvas that content fills."""

    shape: Shape = told_key(_SHAPE)
    size_mm: tuple[float, float]
    centre_mm: Array = vector_key("the point where the middle of the content lies on the table, [x, y]", 2, 0.0)
    rotation_rad: float = number_key(
        "0 if the content's top edge lies towards +y; positive turns it counter-clockwise seen from above",
        0.0,
        scale=DEGREES,
    )
    pixels: tuple[int, int] = told_key("the size of the content's pictures, [width, height]")


@dataclass(frozen=True, kw_only=True)
class CameraSpec:
    """Which camera looks at the table; `device` may also be "genicam:ID", and commands stand behind "run:"."""

    resolution: tuple[int, int] = told_key("the pixels of a photograph, [width, height]")
    device: int | str = told_key(
        'the number, path, stream address or command of the camera, "virtual" for a virtual rig'
    )
    channel: Channel = told_key(
        'the colour of the photographs that is used: "grey", "red", "green" or "blue"', default="grey"
    )


@dataclass(frozen=True, kw_only=True)
class Target:
    """The ChArUco sheet, `scale` along its x and y; it lies on the table around `centre_mm`.

    `thickness_mm` is how high its print lies over what the sheet lies on. `layout` None: as photographs show. Where
    lengths of the pattern are given, `scale` is what they tell (`print_lengths.py`).
    """

    squares: tuple[int, int] = told_key("the squares of the board along its x and y, [columns, rows]")
    square_mm: float = number_key("the nominal side of a square", 36.0, POSITIVE)
    marker_mm: float = told_key("the nominal side of a marker, smaller than a square")
    dictionary: str = told_key("OpenCV's name of the marker dictionary")
    layout: BoardLayout | None = told_key(
        '"new", or "old" for boards of an even number of rows that OpenCV drew before version 4.6', default=None
    )
    scale: tuple[float, float] = pair_key(
        "the measured / nominal length along x and y of the printed sheet",
        (1.0, 1.0),
        Limits(at_least=0.9, at_most=1.1),
    )
    ruler_mm: tuple[float, float] = pair_key(
        "the lengths along x and y over which scale was measured with a steel rule",
        (RULER_MM, RULER_MM),
        Limits(at_least=20.0, at_most=5000.0),
    )
    along_x_mm: tuple[float, ...] = told_key(
        "the width of the whole pattern, read off a steel rule once or several times, instead of scale", default=()
    )
    along_y_mm: tuple[float, ...] = told_key("the height of the whole pattern, in the same way", default=())
    diagonals_mm: tuple[float, ...] = told_key(
        "its diagonals, in the same way: one, the other, the first again and so on", default=()
    )
    thickness_mm: float = number_key(
        "the thickness of the sheet, with the board that it is glued to", PAPER_MM, _THICKNESS
    )
    centre_mm: Array = vector_key("the point where the board's centre lies on the table, [x, y]", 2, 0.0)
    rotation_rad: float = number_key(
        "0 if the printed top edge lies towards +y; positive turns it counter-clockwise seen from above",
        0.0,
        scale=DEGREES,
    )


@dataclass(frozen=True, kw_only=True)
class Tolerance:
    """What counts as good for this rig."""

    content_p95_mm: float = number_key(
        "the largest 95th percentile of the position error that still counts as good", 0.5, POSITIVE
    )
    figure_rms_um: float = number_key(
        "the largest rms deviation of the mirror that still counts as good", 50.0, POSITIVE
    )


@dataclass(frozen=True, kw_only=True)
class Measured:
    """A length measured on the built rig: one of the names in `MEASURED_LENGTHS`, with its 1-sigma."""

    what: str = told_key("which length it is, by its name")
    mm: float = number_key("the length", limits=POSITIVE)
    sigma_mm: float = number_key("how well it was measured, 1-sigma", 0.5, POSITIVE)


@dataclass(frozen=True, kw_only=True)
class TopView:
    """The straight picture of the table that is made of what the camera sees: its middle, size and pixels."""

    size_mm: tuple[float, float] = told_key("the sides of the straight top view along x and y, [w, h]")
    centre_mm: Array = vector_key("the point on the table in its middle, [x, y]", 2, 0.0)
    mm_per_pixel: float = told_key("the table millimetres of one pixel of it")

    @property
    def pixels(self) -> tuple[int, int]:
        """(width, height) of the picture."""
        width, height = (max(1, round(side / self.mm_per_pixel)) for side in self.size_mm)
        return width, height


@dataclass(frozen=True, kw_only=True)
class View:
    """The camera as designed, and what it looks through; placement as of `Projector`."""

    device: int | str = told_key('the number, path or stream address of the camera, "virtual" for a virtual rig')
    resolution: tuple[int, int] = told_key("the pixels of a picture, [width, height]")
    focal_px: float | None = number_key("the nominal focal length in pixels", None, POSITIVE)
    lens: str | None = told_key("the file of the calibrated lens in the rig folder, as `rigwarp view lens` writes it")
    placement: Placement
    position_tolerance_mm: float = number_key(_POSITION_KNOWN, 1.0, POSITIVE)
    rotation_tolerance_rad: float = number_key(_ORIENTATION_KNOWN, 0.5, POSITIVE, scale=DEGREES)
    mirrors: tuple[Mirror, ...] = told_key(
        "one table [[view.mirror]] for each mirror that the camera looks into, with the keys of [mirror]", name="mirror"
    )
    target: Target = told_key(
        "the table [view.target], the sheet that is seen through the mirrors, with the keys of [target]"
    )
    top: TopView = told_key("the table [view.top], the straight top view")


@dataclass(frozen=True, kw_only=True)
class Rig:
    """Everything in rig.toml.

    A rig with a view alone has no projector (`projects` is False). Then the view's camera stands in its place, with its
    first mirror, and content is the whole table.
    """

    name: str
    projector: Projector
    mirror: Mirror
    obstacles: tuple[Obstacle, ...]
    table: Table
    content: Content
    camera: CameraSpec
    target: Target
    tolerance: Tolerance
    measured: tuple[Measured, ...] = ()
    view: View | None = None
    projects: bool = True
