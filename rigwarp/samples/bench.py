"""The bench as its owner describes it: bench.toml."""

import re
import tomllib
from dataclasses import dataclass
from typing import Final

import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry import Array
from rigwarp.rig.section import NOT_NEGATIVE, POSITIVE, Limits, TomlSection
from rigwarp.samples.closed_forms import footprint_mm, ghost_distance_mm, rear_reflectance, shadow_mm, sheet_beams

FORMAT: Final = "rigwarp samples bench"
NAMES: Final = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")
"""What a sample may be called: its folder has the same name."""

THICKNESS_SIGMA_MM: Final = 0.05
"""1-sigma of a stated thickness, by a calliper."""
ANGLE_SIGMA_RAD: Final = np.radians(0.5)
"""The same of a stated angle of incidence."""

_TOP: Final = {
    "format": f'the name of this file format, always "{FORMAT}"',
    "version": "the version of this file format, always 1",
    "name": "a name for reports",
    "projector": "the table [projector]",
    "seat": "the table [seat], which holds the mirrors",
    "screen": "the table [screen]",
    "camera": "the table [camera]",
    "reference": "the table [reference], the glass mirror that all samples are compared with",
    "sample": "one table [[sample]] for each piece of which more than its name is known",
    "same": "the table [same], which differences do not matter",
}
_PROJECTOR: Final = {
    "resolution": "the native pixels, [width, height]",
    "throw_ratio": "the distance / image width, from the data sheet",
    "gamma": "the exponent of the transfer curve (most projectors: 2.2)",
    "pupil_mm": "the width of the lens's pupil; `samples check` measures it",
}
_SEAT: Final = {
    "opening_mm": "the opening, [width in the plane of incidence, height]",
    "distance_mm": "the way from the projector's lens to the mirror",
    "angle_deg": "the angle of incidence: half the angle between the beams to and from the mirror",
}
_SCREEN: Final = {"distance_mm": "the way from mirror to screen"}
_CAMERA: Final = {
    "resolution": "the pixels, [width, height]",
    "device": 'the number, path or address of the camera, or "virtual"',
}
_SHEET: Final = {
    "name": "what it is called: lower-case letters, digits and hyphens",
    "thickness_mm": "the thickness of the clear sheet before the metal, 0 for metal in front",
    "index": "the sheet's refractive index: glass 1.52, acrylic 1.49, polystyrene 1.59, PETG 1.57",
}
_REFERENCE: Final = {
    **_SHEET,
    "reflectance": "its reflectance in red, green and blue light, for absolute figures",
    "reflectance_sigma": "the 1-sigma of that",
}
_SAMPLE: Final = {**_SHEET, "formed": "true for a piece that was formed: its shape is then named, not ranked"}
_SAME: Final = {
    "reflectance": "the difference of reflectance that does not matter, as a share",
    "blur_mrad": "the difference of blur that does not matter",
    "veil": "the difference of veil that does not matter, as a share of the light",
    "slope_mrad": "the difference of waviness that does not matter",
}
_WITHIN: Final = {"reflectance": 0.02, "blur_mrad": 0.2, "veil": 0.003, "slope_mrad": 0.15}


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """A piece by name; thickness NaN where nothing is known of it, 0 for metal in front.

    `index_sigma` : glass is 1.51 to 1.53, plastics are known as well; clear sheets of whatever sort are 1.45 to 1.6.
    """

    name: str
    thickness_mm: float = float("nan")
    index: float = 1.5
    index_sigma: float = 0.05
    formed: bool = False


@dataclass(frozen=True, kw_only=True, eq=False)
class SampleBench:
    """The bench. `far_mm` is from mirror to screen, `near_mm` from projector to mirror."""

    name: str
    resolution: tuple[int, int]
    throw_ratio: float
    gamma: float
    pupil_mm: float
    opening_mm: tuple[float, float]
    near_mm: float
    angle_rad: float
    far_mm: float
    camera_resolution: tuple[int, int]
    camera_device: int | str
    reference: Sheet
    reference_reflectance: Array
    reference_sigma: float
    sheets: dict[str, Sheet]
    within: dict[str, float]

    @property
    def pixel_mm(self) -> float:
        """Of the projector, on the screen."""
        return (self.near_mm + self.far_mm) / (self.throw_ratio * self.resolution[0])

    @property
    def to_mirror(self) -> float:
        """Millimetres on the mirror (perpendicular to the beam) per millimetre on the screen."""
        return self.near_mm / (self.near_mm + self.far_mm)

    @property
    def footprint_mm(self) -> float:
        """Width of the beam on the mirror."""
        return footprint_mm(self.pupil_mm, self.near_mm, self.far_mm)

    @property
    def shadow_mm(self) -> float:
        """Width on the screen of the half-shadow of the seat's edge."""
        return shadow_mm(self.pupil_mm, self.near_mm, self.far_mm)

    def sheet(self, name: str) -> Sheet:
        """What is known of a sample; only its name where bench.toml says nothing.

        Raises
        ------
        InputError
            No folder can have that name.
        """
        if name == self.reference.name:
            raise InputError(f'"{name}" is the reference: found its name, expected that of a sample.')
        if not NAMES.fullmatch(name):
            raise InputError(
                f'found the sample name "{name[:60]}", expected up to 40 lower-case letters, digits and hyphens. '
                "Choose such a name."
            )
        return self.sheets.get(name, Sheet(name=name))

    def incidence(self, u_px: Array) -> Array:
        """(n,) angle of incidence, rad, at the mirror points of projector columns: the beam opens in this plane."""
        off = (u_px - (self.resolution[0] - 1.0) / 2.0) * self.pixel_mm / (self.near_mm + self.far_mm)
        return np.asarray(self.angle_rad + np.arctan(off))

    def stretch(self, sheet: Sheet) -> Array:
        """(2,) share by which a sheet makes the picture larger, in the plane of incidence and across it.

        The light goes to the metal and back. What a ray is moved by, d (`ghost_distance_mm`), turns with its incidence
        in the plane, and with the plane itself across it: d' and d / tan(incidence) a radian.
        """
        if not sheet.thickness_mm > 0.0:
            return np.zeros(2)
        sine, cosine = np.sin(self.angle_rad), np.cos(self.angle_rad)
        root = np.sqrt(sheet.index**2 - sine**2)
        along = (cosine**2 - sine**2) / root + (sine * cosine) ** 2 / root**3
        length = self.near_mm + self.far_mm
        return np.asarray(2.0 * sheet.thickness_mm * np.array([along, cosine**2 / root]) / length)

    def beams(self, sheet: Sheet, u_px: Array, reflectance: float) -> tuple[Array, Array]:
        """Where a sheet's three beams meet the screen at projector columns, (n, 3) mm, and their strengths (3,).

        One beam where nothing is known of the sheet, or its metal is in front. The whole sheet's `reflectance` tells
        that of the metal behind it.
        """
        if not sheet.thickness_mm > 0.0:
            return np.zeros((len(u_px), 1)), np.ones(1)
        away = ghost_distance_mm(sheet.thickness_mm, sheet.index, self.incidence(u_px))
        beams = sheet_beams(sheet.index, rear_reflectance(sheet.index, reflectance, self.angle_rad), self.angle_rad)
        return np.multiply.outer(away, [-1.0, 0.0, 1.0]), np.array([beams.front_to_main, 1.0, beams.third_to_main])


def parse_bench(text: str, *, source: str = "bench.toml") -> SampleBench:
    """Read and check bench.toml.

    Raises
    ------
    InputError
        It is no TOML, or a key is unknown, missing or out of its limits.
    """
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{source}: not readable as TOML ({error}). Correct the file.") from None
    document = TomlSection(source=source, path="", values=values, meanings=_TOP)
    document.choice("format", [FORMAT])
    document.number("version", limits=Limits(at_least=1, at_most=1))
    projector = document.section("projector", _PROJECTOR, required=True)
    seat = document.section("seat", _SEAT, required=True)
    camera = document.section("camera", _CAMERA, required=True)
    reference = document.section("reference", _REFERENCE, required=True)
    same = document.section("same", _SAME, required=False)
    width, height = projector.integers("resolution", 2, at_least=64, at_most=10000)
    wide, high = camera.integers("resolution", 2, at_least=64, at_most=20000)
    across, down = seat.numbers("opening_mm", 2, limits=POSITIVE)
    sheets = [_sheet(section) for section in document.sections("sample", _SAMPLE)]
    device = camera.values.get("device", 0)
    return SampleBench(
        name=document.text("name", default="mirror samples"),
        resolution=(width, height),
        throw_ratio=projector.number("throw_ratio", limits=POSITIVE),
        gamma=projector.number("gamma", default=2.2, limits=POSITIVE),
        pupil_mm=projector.number("pupil_mm", default=5.0, limits=POSITIVE),
        opening_mm=(across, down),
        near_mm=seat.number("distance_mm", limits=POSITIVE),
        angle_rad=float(np.radians(seat.number("angle_deg", limits=Limits(above=0.0, at_most=60.0)))),
        far_mm=document.section("screen", _SCREEN, required=True).number("distance_mm", limits=POSITIVE),
        camera_resolution=(wide, high),
        camera_device=device if isinstance(device, int) else camera.text("device"),
        reference=_sheet(reference),
        reference_reflectance=np.array(reference.numbers("reflectance", 3, default=(0.9, 0.9, 0.9), limits=POSITIVE)),
        reference_sigma=reference.number("reflectance_sigma", default=0.03, limits=POSITIVE),
        sheets={sheet.name: sheet for sheet in sheets},
        within={key: same.number(key, default=value, limits=POSITIVE) for key, value in _WITHIN.items()},
    )


def _sheet(section: TomlSection) -> Sheet:
    name = section.text("name")
    if not NAMES.fullmatch(name):
        section.fail("name", found=f'"{name[:60]}"', expected="lower-case letters, digits and hyphens")
    return Sheet(
        name=name,
        thickness_mm=section.number("thickness_mm", default=np.nan, limits=NOT_NEGATIVE),
        index=section.number("index", default=1.5, limits=Limits(at_least=1.0, at_most=3.0)),
        index_sigma=0.005 if section.has("index") else Sheet.index_sigma,
        formed=section.values.get("formed") is True,
    )
