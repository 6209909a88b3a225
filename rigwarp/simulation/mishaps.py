"""What goes wrong while photographs are taken and handed over: [mishaps] of virtual.toml, all off by default."""

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from rigwarp.geometry import Array
from rigwarp.rig.section import NOT_NEGATIVE, SHARE, Limits, TomlSection, describe
from rigwarp.rig.toml_fields import meanings_of, number_key, read_table, told_key, vector_key, whole_key

_MOST = 1_000_000  # photographs


@dataclass(frozen=True, kw_only=True)
class Motion:
    """A motion of the camera: shift of the picture's middle, and shift and turn (about the lens) in the table frame."""

    picture_px: Array = field(default_factory=lambda: np.zeros(2))
    shift_mm: Array = field(default_factory=lambda: np.zeros(3))
    turn_rad: Array = field(default_factory=lambda: np.zeros(3))


@dataclass(frozen=True, kw_only=True)
class PasserBy:
    """A round shadow of a share `depth`, in photographs `first` to `last`, between two places on the table."""

    first: int
    last: int
    from_mm: Array = vector_key(
        "middle of the shadow in the first of them, table frame [x, y]", 2, name="passer_by_from_mm"
    )
    to_mm: Array = told_key("middle of the shadow in the last of them", name="passer_by_to_mm")
    radius_mm: float = number_key("radius of the shadow", name="passer_by_radius_mm", limits=Limits(above=0.0))
    depth: float = number_key("share of all light that is lost in it", 1.0, SHARE, name="passer_by_shadow")


@dataclass(frozen=True, kw_only=True)
class Mishaps:
    """What goes wrong while photographs are taken; photographs are numbered from 1.

    `knock_at` None: there is none. The gain is (white's mean / picture's mean) to the power of `auto_exposure`.
    """

    photographs: int = whole_key(
        "how many photographs a scan takes: creep, daylight and lamp have changed in full at the last",
        60,
        at_least=2,
        at_most=_MOST,
    )
    first_photograph: int = whole_key(
        "number of the scan's first photograph, if others (pre-flight, checks) are taken before it",
        1,
        at_least=1,
        at_most=_MOST,
    )
    creep: Motion = field(default_factory=Motion)
    knock: Motion = field(default_factory=Motion)
    knock_at: int | None = whole_key(
        "number of the first photograph after somebody has knocked against the camera's stand",
        None,
        at_least=1,
        at_most=_MOST,
    )
    auto_exposure: float = number_key(
        "how far the gain follows the picture's mean brightness: 0 locked, 1 in full", 0.0, SHARE
    )
    auto_exposure_limit: float = number_key(
        "the largest factor by which it raises or lowers the gain", 8.0, Limits(at_least=1.0)
    )
    daylight: float = number_key(
        "daylight that has come up by the scan's last photograph, as a share of projected white", 0.0, NOT_NEGATIVE
    )
    sunshine: float = number_key("more of it while the sun is out, as a share of projected white", 0.0, NOT_NEGATIVE)
    sunshine_at: tuple[int, int] = told_key(
        "numbers of the first and the last photograph in sunshine, [first, last]", default=(1, 1)
    )
    lamp_drift: float = number_key(
        "growth of the projector's light by the scan's last photograph (negative: it fades)",
        0.0,
        Limits(above=-1.0, at_most=1.0),
    )
    bands: float = number_key(
        "relative amplitude of bright and dark bands along the rows (rolling shutter against the mains)", 0.0, SHARE
    )
    bands_period_px: float = number_key("rows from band to band", 100.0, Limits(at_least=2.0))
    jpeg_quality: int | None = whole_key(
        "quality at which the camera compresses its pictures, 1 to 100", None, at_least=1, at_most=100
    )
    smoothing_px: float = number_key(
        "reach (sigma) of a noise reduction that keeps edges, inside the camera",
        0.0,
        Limits(at_least=0.0, at_most=20.0),
    )
    passer_by: PasserBy | None = told_key(
        "numbers of the first and the last photograph while somebody walks by, [first, last]",
        name="passer_by_at",
        default=None,
    )
    early: tuple[int, ...] = told_key(
        "numbers of photographs taken before the new picture was up: they show the one before", default=()
    )
    exchanged: tuple[tuple[int, int], ...] = told_key(
        "pairs [i, j] of photographs whose numbers were mixed up when they were handed over", default=()
    )
    missing: tuple[int, ...] = told_key(
        "numbers of photographs that were lost before they were handed over", default=()
    )
    twice: tuple[int, ...] = told_key("numbers of photographs that were handed over twice in a row", default=())
    quarter_turns: int = told_key(
        "how far all of them were turned clockwise before they were handed over: 0, 90, 180 or 270",
        name="turned_deg",
        default=0,
    )
    mirrored: bool = told_key("true if all of them were mirrored, left to right, before that", default=False)

    def share(self, number: int) -> float:
        """How much of what changes evenly has changed at a photograph: 0 at the scan's first, 1 from its last on."""
        return float(np.clip((number - self.first_photograph) / (self.photographs - 1), 0.0, 1.0))


KEYS: Final = {
    **meanings_of(Mishaps),
    **meanings_of(PasserBy),
    "creep_px": "how far the middle of the picture shifts in all, because the stand gives way and turns, [u, v]",
    "creep_mm": "how far the camera creeps in all, along the table's [x, y, z]",
    "creep_deg": "how far the camera turns about its lens in all, rotation vector along the table's axes",
    "knock_px": "how far that shifts the middle of the picture by turning the camera, [u, v]",
    "knock_mm": "how far that moves the camera, along the table's [x, y, z]",
    "knock_deg": "how far that turns the camera about its lens, rotation vector along the table's axes",
}


def parse_mishaps(section: TomlSection) -> Mishaps:
    """The table [mishaps]; InputError on the first mistake."""
    for key in ("knock_px", "knock_mm", "knock_deg"):
        if section.has(key) and not section.has("knock_at"):
            section.fail("knock_at", found="nothing", expected=f"the number of a photograph, because {key} is given")
    pairs, turned, mirrored = (
        section.values.get(key, usual) for key, usual in (("exchanged", []), ("turned_deg", 0), ("mirrored", False))
    )
    paired = isinstance(pairs, list) and all(_are_photographs(pair) and len(pair) == 2 for pair in pairs)
    _good(section, "exchanged", paired, pairs, "a list of pairs [i, j] of numbers of photographs, from 1")
    right = not isinstance(turned, bool) and turned in (0, 90, 180, 270)
    _good(section, "turned_deg", right, turned, "0, 90, 180 or 270")
    return read_table(
        Mishaps,
        section,
        creep=_motion(section, "creep"),
        knock=_motion(section, "knock"),
        sunshine_at=_span(section, "sunshine_at") if section.number("sunshine", default=0.0) else (1, 1),
        passer_by=_passer_by(section) if section.has("passer_by_at") else None,
        early=_numbers(section, "early"),
        exchanged=tuple((i, j) for i, j in pairs),
        missing=_numbers(section, "missing"),
        twice=_numbers(section, "twice"),
        quarter_turns=int(turned) // 90,
        mirrored=_good(section, "mirrored", isinstance(mirrored, bool), mirrored, "true or false"),
    )


def _motion(section: TomlSection, name: str) -> Motion:
    return Motion(
        picture_px=section.vector(f"{name}_px", 2, default=(0.0, 0.0)),
        shift_mm=section.vector(f"{name}_mm", 3, default=(0.0, 0.0, 0.0)),
        turn_rad=np.deg2rad(section.vector(f"{name}_deg", 3, default=(0.0, 0.0, 0.0))),
    )


def _passer_by(section: TomlSection) -> PasserBy:
    first, last = _span(section, "passer_by_at")
    ends = "passer_by_to_mm" if section.has("passer_by_to_mm") else "passer_by_from_mm"
    return read_table(PasserBy, section, first=first, last=last, to_mm=section.vector(ends, 2))


def _span(section: TomlSection, key: str) -> tuple[int, int]:
    value = section.values.get(key, [])
    good = _are_photographs(value) and len(value) == 2 and value[0] <= value[1]
    first, last = _good(section, key, good, value, "the numbers of two photographs, the earlier one first")
    return first, last


def _numbers(section: TomlSection, key: str) -> tuple[int, ...]:
    value = section.values.get(key, [])
    return tuple(_good(section, key, _are_photographs(value), value, "a list of numbers of photographs, from 1"))


def _good(section: TomlSection, key: str, good: bool, value: Any, expected: str) -> Any:
    """The value of a key, which says what was expected where it is not good."""
    if not good:
        section.fail(key, found=describe(value) if section.has(key) else "nothing", expected=expected)
    return value


def _are_photographs(value: object) -> bool:
    return isinstance(value, list) and all(type(number) is int and 1 <= number <= _MOST for number in value)
