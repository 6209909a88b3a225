"""What was designed: the contents of rig.toml as plain, validated values (angles in radians, rotations as matrices)."""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from rigwarp.geometry import Array, Placement

Shape = Literal["circle", "rectangle"]
BoardLayout = Literal["new", "old"]
Transfer = float | Literal["srgb"]
"""A transfer curve: a power (light = code ** gamma) or the IEC 61966-2-1 curve."""

PAPER_MM: Final = 0.1
"""Thickness of ordinary office paper, 80 g/m2."""
RULER_MM: Final = 200.0
"""Length of the rulers that are printed beside a target."""


Channel = Literal["grey", "red", "green", "blue"]
CHANNELS: Final[tuple[Channel, ...]] = ("grey", "red", "green", "blue")


@dataclass(frozen=True, kw_only=True)
class Lens:
    """A camera's calibrated lens in OpenCV's model: `matrix` (3, 3) pixels, `distortion` (5,) k1, k2, p1, p2, k3.

    `sigma_px` is how far a pixel's line of sight may be off across the picture, 1-sigma.
    """

    matrix: Array
    distortion: Array
    sigma_px: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Projector:
    """A pinhole projector; or a camera in its place, whose rays are followed from the pixel to the table.

    Attributes
    ----------
    resolution : (width, height) native pixels.
    throw_ratio : distance / image width.
    lens_shift : (2,) share of image width / height by which the image centre is off the axis; + = right, up on a wall.
    placement : centre of projection and R_table_from_projector (x right, y down, z forward).
    position_tolerance_mm, rotation_tolerance_rad : 1-sigma of the mounting, per axis.
    transfer : the projector's nominal transfer curve.
    lens : a camera's, which then stands for throw ratio and lens shift; None for a pinhole.
    """

    resolution: tuple[int, int]
    throw_ratio: float
    lens_shift: tuple[float, float]
    placement: Placement
    position_tolerance_mm: float
    rotation_tolerance_rad: float
    transfer: Transfer
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
    """A conic of revolution with even polynomial terms (ISO 10110-12 sag), vertex at the mirror's origin.

    `coefficients_mm` are those of r^4, r^6, ...; `aperture_mm` is (inner, outer) radius.
    """

    radius_mm: float
    conic_constant: float
    coefficients_mm: tuple[float, ...]
    aperture_mm: tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class ProfileShape:
    """A surface of revolution about the mirror's z axis, from a table of r and z in `file`."""

    file: str


@dataclass(frozen=True, kw_only=True)
class MeshShape:
    """A CAD export in `file`; `reflecting_side` is a unit vector in the mirror frame, `crease_rad` None = automatic."""

    file: str
    reflecting_side: Array
    crease_rad: float | None


@dataclass(frozen=True, kw_only=True)
class Facet:
    """One panel: corners (N, 3) in the mirror frame; single-curved where `bend_radius_mm` and `bend_axis` are given."""

    corners_mm: Array
    bend_radius_mm: float | None
    bend_axis: Array | None


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """What panels are bent from: its thickness, the radius inside its folds, and where its neutral axis lies in them.

    `k_factor` is the neutral axis' distance from the inside as a share of the thickness.
    """

    thickness_mm: float
    fold_radius_mm: float
    k_factor: float


@dataclass(frozen=True, kw_only=True)
class FacetsShape:
    """A mirror of one or more panels; `sheet` None: the stock is not told."""

    facets: tuple[Facet, ...]
    sheet: Sheet | None = None


MirrorShape = ConicShape | ProfileShape | MeshShape | FacetsShape


@dataclass(frozen=True, kw_only=True)
class Mirror:
    """The design mirror: its shape in its own frame and where it is mounted (placement.part = mirror frame).

    `material` is where a measured sample of its material lies, from the rig folder; None: not named.
    """

    shape: MirrorShape
    placement: Placement
    position_tolerance_mm: float
    rotation_tolerance_rad: float
    material: str | None = None


@dataclass(frozen=True, kw_only=True)
class Obstacle:
    """Something that blocks light, as a mesh in `file`."""

    file: str
    placement: Placement


@dataclass(frozen=True, kw_only=True)
class Table:
    """The surface that is lit: centred on the table frame's origin, horizontal, at `height_mm`.

    `size_mm` is (width, depth); a circle has both equal to its diameter.
    """

    shape: Shape
    size_mm: tuple[float, float]
    height_mm: float


@dataclass(frozen=True, kw_only=True)
class Content:
    """The canvas that content fills. `rotation_rad` 0: its top edge lies towards +y, its right edge towards +x."""

    shape: Shape
    size_mm: tuple[float, float]
    centre_mm: Array
    rotation_rad: float
    pixels: tuple[int, int]


@dataclass(frozen=True, kw_only=True)
class CameraSpec:
    """Which camera looks at the table; `device` is an index, a path, a stream address, "genicam:ID", a command behind
    "run:", or "virtual". `channel` is the colour of its photographs that is used."""

    resolution: tuple[int, int]
    device: int | str
    channel: Channel = "grey"


@dataclass(frozen=True, kw_only=True)
class Target:
    """The ChArUco sheet. `scale` is measured / nominal along its x and y; it lies on the table around `centre_mm`.

    `thickness_mm` is how high its print lies over what the sheet lies on: that of the paper, or of the board below it.
    `ruler_mm` are the lengths along x and y over which `scale` was measured: the printed rulers', or the pattern's own.
    `layout` is OpenCV's, of boards with an even number of rows: "old" before version 4.6; None = as photographs show.
    """

    squares: tuple[int, int]
    square_mm: float
    marker_mm: float
    dictionary: str
    scale: tuple[float, float]
    centre_mm: Array
    rotation_rad: float
    thickness_mm: float = PAPER_MM
    ruler_mm: tuple[float, float] = (RULER_MM, RULER_MM)
    layout: BoardLayout | None = None


@dataclass(frozen=True, kw_only=True)
class Tolerance:
    """What counts as good for this rig."""

    content_p95_mm: float
    figure_rms_um: float


@dataclass(frozen=True, kw_only=True)
class Measured:
    """A length measured on the built rig: one of the names in `MEASURED_LENGTHS`, with its 1-sigma."""

    what: str
    mm: float
    sigma_mm: float


@dataclass(frozen=True, kw_only=True)
class TopView:
    """The straight picture of the table that is made of what the camera sees: its middle, size and pixels."""

    size_mm: tuple[float, float]
    centre_mm: Array
    mm_per_pixel: float

    @property
    def pixels(self) -> tuple[int, int]:
        """(width, height) of the picture."""
        width, height = (max(1, round(side / self.mm_per_pixel)) for side in self.size_mm)
        return width, height


@dataclass(frozen=True, kw_only=True)
class View:
    """The camera as designed, and what it looks through.

    Attributes
    ----------
    device : index, path or stream address, or "virtual".
    resolution : (width, height) pixels.
    focal_px : nominal focal length; None where only `lens` tells it.
    lens : name of the file of the calibrated lens in the rig folder; None: not calibrated.
    placement : centre of projection and R_table_from_camera (x right, y down, z forward).
    position_tolerance_mm, rotation_tolerance_rad : 1-sigma of the mounting, per axis.
    mirrors : one or more, each mounted by itself.
    target : the sheet on the table that is seen through the mirrors.
    top : the straight top view.
    """

    device: int | str
    resolution: tuple[int, int]
    focal_px: float | None
    lens: str | None
    placement: Placement
    position_tolerance_mm: float
    rotation_tolerance_rad: float
    mirrors: tuple[Mirror, ...]
    target: Target
    top: TopView


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
