"""The bench as its owner describes it: bench.toml."""

import math
import re
import tomllib
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry import Array
from rigwarp.rig.section import NOT_NEGATIVE, POSITIVE, Limits, TomlSection
from rigwarp.rig.toml_fields import DEGREES, meanings_of, number_key, pair_key, read_keys, read_table, told_key
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
_SAME: Final = {
    "reflectance": ("the difference of reflectance that does not matter, as a share", 0.02),
    "blur_mrad": ("the difference of blur that does not matter", 0.2),
    "veil": ("the difference of veil that does not matter, as a share of the light", 0.003),
    "slope_mrad": ("the difference of waviness that does not matter", 0.15),
}
_TABLES: Final = {
    "projector": ("resolution", "throw_ratio", "gamma", "pupil_mm"),
    "seat": ("opening_mm", "near_mm", "angle_rad"),
    "screen": ("far_mm",),
    "camera": ("camera_resolution", "camera_device"),
    "reference": ("reference_reflectance", "reference_sigma"),
}
"""Fields of `SampleBench` that each table has; the reference's has a sheet's, too."""


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """A piece by name; thickness NaN where nothing is known of it, 0 for metal in front.

    `index_sigma` : glass is 1.51 to 1.53, plastics are known as well; clear sheets of whatever sort are 1.45 to 1.6.
    """

    name: str = told_key("what it is called: lower-case letters, digits and hyphens")
    thickness_mm: float = number_key(
        "the thickness of the clear sheet before the metal, 0 for metal in front", math.nan, NOT_NEGATIVE
    )
    index: float = number_key(
        "the sheet's refractive index: glass 1.52, acrylic 1.49, polystyrene 1.59, PETG 1.57",
        1.5,
        Limits(at_least=1.0, at_most=3.0),
    )
    index_sigma: float = 0.05
    formed: bool = told_key("true for a piece that was formed: its shape is then named, not ranked", default=False)


@dataclass(frozen=True, kw_only=True, eq=False)
class SampleBench:
    """The bench. `far_mm` is from mirror to screen, `near_mm` from projector to mirror."""

    name: str
    resolution: tuple[int, int] = told_key("the native pixels, [width, height]")
    throw_ratio: float = number_key("the distance / image width, from the data sheet", limits=POSITIVE)
    gamma: float = number_key("the exponent of the transfer curve (most projectors: 2.2)", 2.2, POSITIVE)
    pupil_mm: float = number_key("the width of the lens's pupil; `samples check` measures it", 5.0, POSITIVE)
    opening_mm: tuple[float, float] = pair_key(
        "the opening, [width in the plane of incidence, height]", limits=POSITIVE
    )
    near_mm: float = number_key("the way from the projector's lens to the mirror", limits=POSITIVE, name="distance_mm")
    angle_rad: float = number_key(
        "the angle of incidence: half the angle between the beams to and from the mirror",
        limits=Limits(above=0.0, at_most=60.0),
        scale=DEGREES,
    )
    far_mm: float = number_key("the way from mirror to screen", limits=POSITIVE, name="distance_mm")
    camera_resolution: tuple[int, int] = told_key("the pixels, [width, height]", name="resolution")
    camera_device: int | str = told_key('the number, path or address of the camera, or "virtual"', name="device")
    reference: Sheet
    reference_reflectance: Array = told_key(
        "its reflectance in red, green and blue light, for absolute figures", name="reflectance"
    )
    reference_sigma: float = number_key("the 1-sigma of that", 0.03, POSITIVE, name="reflectance_sigma")
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
    of_sheet = meanings_of(Sheet, "name", "thickness_mm", "index")
    found: dict[str, Any] = {}
    tables = {}
    for key, names in _TABLES.items():
        meanings = meanings_of(SampleBench, *names)
        tables[key] = document.section(key, of_sheet | meanings if key == "reference" else meanings, required=True)
        found |= read_keys(SampleBench, tables[key], *names)
    camera, reference = tables["camera"], tables["reference"]
    found["resolution"] = tables["projector"].integers("resolution", 2, at_least=64, at_most=10000)
    found["camera_resolution"] = camera.integers("resolution", 2, at_least=64, at_most=20000)
    same = document.section("same", {key: meaning for key, (meaning, _) in _SAME.items()}, required=False)
    device = camera.values.get("device", 0)
    return SampleBench(
        **found,
        name=document.text("name", default="mirror samples"),
        camera_device=device if isinstance(device, int) else camera.text("device"),
        reference=_sheet(reference),
        reference_reflectance=np.array(reference.numbers("reflectance", 3, default=(0.9, 0.9, 0.9), limits=POSITIVE)),
        sheets={sheet.name: sheet for sheet in map(_sheet, document.sections("sample", meanings_of(Sheet)))},
        within={key: same.number(key, default=usual, limits=POSITIVE) for key, (_, usual) in _SAME.items()},
    )


def _sheet(section: TomlSection) -> Sheet:
    name = section.text("name")
    if not NAMES.fullmatch(name):
        section.fail("name", found=f'"{name[:60]}"', expected="lower-case letters, digits and hyphens")
    return read_table(
        Sheet,
        section,
        name=name,
        index_sigma=0.005 if section.has("index") else Sheet.index_sigma,
        formed=section.values.get("formed") is True,
    )
