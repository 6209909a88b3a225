"""What goes wrong while photographs are taken and handed over: [mishaps] of virtual.toml, all off by default."""

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from rigwarp.geometry import Array
from rigwarp.rig.section import Limits, TomlSection, describe

KEYS: Final = {
    "photographs": "how many photographs a scan takes: creep, daylight and lamp have changed in full at the last",
    "first_photograph": "number of the scan's first photograph, if others (pre-flight, checks) are taken before it",
    "creep_px": "how far the middle of the picture shifts in all, because the stand gives way and turns, [u, v]",
    "creep_mm": "how far the camera creeps in all, along the table's [x, y, z]",
    "creep_deg": "how far the camera turns about its lens in all, rotation vector along the table's axes",
    "knock_at": "number of the first photograph after somebody has knocked against the camera's stand",
    "knock_px": "how far that shifts the middle of the picture by turning the camera, [u, v]",
    "knock_mm": "how far that moves the camera, along the table's [x, y, z]",
    "knock_deg": "how far that turns the camera about its lens, rotation vector along the table's axes",
    "auto_exposure": "how far the gain follows the picture's mean brightness: 0 locked, 1 in full",
    "auto_exposure_limit": "the largest factor by which it raises or lowers the gain",
    "daylight": "daylight that has come up by the scan's last photograph, as a share of projected white",
    "sunshine": "more of it while the sun is out, as a share of projected white",
    "sunshine_at": "numbers of the first and the last photograph in sunshine, [first, last]",
    "lamp_drift": "growth of the projector's light by the scan's last photograph (negative: it fades)",
    "bands": "relative amplitude of bright and dark bands along the rows (rolling shutter against the mains)",
    "bands_period_px": "rows from band to band",
    "jpeg_quality": "quality at which the camera compresses its pictures, 1 to 100",
    "smoothing_px": "reach (sigma) of a noise reduction that keeps edges, inside the camera",
    "passer_by_at": "numbers of the first and the last photograph while somebody walks by, [first, last]",
    "passer_by_from_mm": "middle of the shadow in the first of them, table frame [x, y]",
    "passer_by_to_mm": "middle of the shadow in the last of them",
    "passer_by_radius_mm": "radius of the shadow",
    "passer_by_shadow": "share of all light that is lost in it",
    "early": "numbers of photographs taken before the new picture was up: they show the one before",
    "exchanged": "pairs [i, j] of photographs whose numbers were mixed up when they were handed over",
    "missing": "numbers of photographs that were lost before they were handed over",
    "twice": "numbers of photographs that were handed over twice in a row",
    "turned_deg": "how far all of them were turned clockwise before they were handed over: 0, 90, 180 or 270",
    "mirrored": "true if all of them were mirrored, left to right, before that",
}

_NOT_NEGATIVE = Limits(at_least=0.0)
_SHARE = Limits(at_least=0.0, at_most=1.0)
_MOST = 1_000_000  # photographs


@dataclass(frozen=True, kw_only=True)
class Motion:
    """A motion of the camera: shift of the picture's middle, and shift and turn (about the lens) in the table frame."""

    picture_px: Array = field(default_factory=lambda: np.zeros(2))
    shift_mm: Array = field(default_factory=lambda: np.zeros(3))
    turn_rad: Array = field(default_factory=lambda: np.zeros(3))

    @property
    def none(self) -> bool:
        """Is it no motion at all?"""
        return not (self.picture_px.any() or self.shift_mm.any() or self.turn_rad.any())


@dataclass(frozen=True, kw_only=True)
class PasserBy:
    """A round shadow of a share `depth`, in photographs `first` to `last`, between two places on the table."""

    first: int
    last: int
    from_mm: Array
    to_mm: Array
    radius_mm: float
    depth: float


@dataclass(frozen=True, kw_only=True)
class Mishaps:
    """What goes wrong while photographs are taken; photographs are numbered from 1.

    Attributes
    ----------
    photographs, first_photograph : the scan over which creep, daylight and lamp change evenly.
    creep, knock, knock_at : motions of the camera; `knock_at` is the first photograph after the knock, or None.
    auto_exposure : exponent of (white's mean / picture's mean) in the gain, within auto_exposure_limit.
    daylight, sunshine : more room light as a share of projected white; sunshine in photographs sunshine_at.
    lamp_drift : relative growth of the projector's light.
    bands, bands_period_px : relative amplitude and period in rows of the mains' bands.
    jpeg_quality : None = no compression. smoothing_px : 0 = none.
    early : photographs that show the picture before.
    exchanged, missing, twice, quarter_turns, mirrored : what happens to the pile when it is handed over.
    """

    photographs: int = 60
    first_photograph: int = 1
    creep: Motion = field(default_factory=Motion)
    knock: Motion = field(default_factory=Motion)
    knock_at: int | None = None
    auto_exposure: float = 0.0
    auto_exposure_limit: float = 8.0
    daylight: float = 0.0
    sunshine: float = 0.0
    sunshine_at: tuple[int, int] = (1, 1)
    lamp_drift: float = 0.0
    bands: float = 0.0
    bands_period_px: float = 100.0
    jpeg_quality: int | None = None
    smoothing_px: float = 0.0
    passer_by: PasserBy | None = None
    early: tuple[int, ...] = ()
    exchanged: tuple[tuple[int, int], ...] = ()
    missing: tuple[int, ...] = ()
    twice: tuple[int, ...] = ()
    quarter_turns: int = 0
    mirrored: bool = False

    def share(self, number: int) -> float:
        """How much of what changes evenly has changed at a photograph: 0 at the scan's first, 1 from its last on."""
        return float(np.clip((number - self.first_photograph) / (self.photographs - 1), 0.0, 1.0))


def parse_mishaps(section: TomlSection) -> Mishaps:
    """The table [mishaps]; InputError on the first mistake."""
    knocked = section.has("knock_at")
    for key in ("knock_px", "knock_mm", "knock_deg"):
        if section.has(key) and not knocked:
            section.fail("knock_at", found="nothing", expected=f"the number of a photograph, because {key} is given")
    sunshine = section.number("sunshine", default=0.0, limits=_NOT_NEGATIVE)
    return Mishaps(
        photographs=_whole(section, "photographs", 60, at_least=2),
        first_photograph=_whole(section, "first_photograph", 1),
        creep=_motion(section, "creep"),
        knock=_motion(section, "knock"),
        knock_at=_whole(section, "knock_at", 1) if knocked else None,
        auto_exposure=section.number("auto_exposure", default=0.0, limits=_SHARE),
        auto_exposure_limit=section.number("auto_exposure_limit", default=8.0, limits=Limits(at_least=1.0)),
        daylight=section.number("daylight", default=0.0, limits=_NOT_NEGATIVE),
        sunshine=sunshine,
        sunshine_at=_span(section, "sunshine_at") if sunshine else (1, 1),
        lamp_drift=section.number("lamp_drift", default=0.0, limits=Limits(above=-1.0, at_most=1.0)),
        bands=section.number("bands", default=0.0, limits=_SHARE),
        bands_period_px=section.number("bands_period_px", default=100.0, limits=Limits(at_least=2.0)),
        jpeg_quality=_whole(section, "jpeg_quality", 95, at_most=100) if section.has("jpeg_quality") else None,
        smoothing_px=section.number("smoothing_px", default=0.0, limits=Limits(at_least=0.0, at_most=20.0)),
        passer_by=_passer_by(section) if section.has("passer_by_at") else None,
        early=_numbers(section, "early"),
        exchanged=_pairs(section, "exchanged"),
        missing=_numbers(section, "missing"),
        twice=_numbers(section, "twice"),
        quarter_turns=_quarter_turns(section),
        mirrored=_yes(section, "mirrored"),
    )


def _motion(section: TomlSection, name: str) -> Motion:
    return Motion(
        picture_px=section.vector(f"{name}_px", 2, default=(0.0, 0.0)),
        shift_mm=section.vector(f"{name}_mm", 3, default=(0.0, 0.0, 0.0)),
        turn_rad=np.deg2rad(section.vector(f"{name}_deg", 3, default=(0.0, 0.0, 0.0))),
    )


def _passer_by(section: TomlSection) -> PasserBy:
    first, last = _span(section, "passer_by_at")
    start = section.vector("passer_by_from_mm", 2)
    return PasserBy(
        first=first,
        last=last,
        from_mm=start,
        to_mm=section.vector("passer_by_to_mm", 2) if section.has("passer_by_to_mm") else start,
        radius_mm=section.number("passer_by_radius_mm", limits=Limits(above=0.0)),
        depth=section.number("passer_by_shadow", default=1.0, limits=_SHARE),
    )


def _whole(section: TomlSection, key: str, default: int, *, at_least: int = 1, at_most: int = _MOST) -> int:
    value = section.values.get(key, default)
    if not _is_whole(value) or not at_least <= value <= at_most:
        section.fail(key, found=describe(value), expected=f"a whole number from {at_least} to {at_most}")
    return int(value)


def _span(section: TomlSection, key: str) -> tuple[int, int]:
    value = section.values.get(key, [])
    if not _are_photographs(value) or len(value) != 2 or value[0] > value[1]:
        found = describe(value) if section.has(key) else "nothing"
        section.fail(key, found=found, expected="the numbers of two photographs, the earlier one first")
    return int(value[0]), int(value[1])


def _numbers(section: TomlSection, key: str) -> tuple[int, ...]:
    value = section.values.get(key, [])
    if not _are_photographs(value):
        section.fail(key, found=describe(value), expected="a list of numbers of photographs, from 1")
    return tuple(int(number) for number in value)


def _pairs(section: TomlSection, key: str) -> tuple[tuple[int, int], ...]:
    value = section.values.get(key, [])
    if not isinstance(value, list) or not all(_are_photographs(pair) and len(pair) == 2 for pair in value):
        section.fail(key, found=describe(value), expected="a list of pairs [i, j] of numbers of photographs, from 1")
    return tuple((int(i), int(j)) for i, j in value)


def _quarter_turns(section: TomlSection) -> int:
    value = section.values.get("turned_deg", 0)
    if isinstance(value, bool) or value not in (0, 90, 180, 270):
        section.fail("turned_deg", found=describe(value), expected="0, 90, 180 or 270")
    return int(value) // 90


def _yes(section: TomlSection, key: str) -> bool:
    value = section.values.get(key, False)
    if not isinstance(value, bool):
        section.fail(key, found=describe(value), expected="true or false")
    return value


def _is_whole(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _are_photographs(value: object) -> bool:
    return isinstance(value, list) and all(_is_whole(number) and 1 <= number <= _MOST for number in value)
