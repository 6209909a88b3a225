"""What in a rig file can hardly be meant: absurd sizes, and the slip of the pen that would explain a dark table.

A slip is not guessed from how a number looks but tried: the file with that one number put right is traced coarsely, and
it is named only where the content area then is lit.
"""

import copy
import itertools
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry import Array, TriangleMesh
from rigwarp.rig import Rig
from rigwarp.rig.parse import rig_from_values
from rigwarp.tracing.coarse import content_lit, mirror_triangles
from rigwarp.tracing.shadows import RayTracer
from rigwarp.words import number

_DARK = 0.3  # share of the content area; with less of it lit something is wrong, not only tight
_RIGHT = 0.75  # share of the content area that a slip put right must light to be named
_MOST_NAMED = 2
_TABLE_MM = (100.0, 10_000.0)
_FURTHEST_MM = 20_000.0  # of a projector or mirror from the table's middle
_THROW_RATIOS = (0.15, 8.0)  # common practice, no source: mirror-nosed projectors to long-throw lenses
_PIXEL_MM = (0.02, 20.0)  # side of a projector pixel on the table
_LENGTH_KEYS = (("projector", "position_mm"), ("projector", "aim_mm"), ("mirror", "position_mm"))
_SHAPE_KEY = ("mirror", "radius_mm")
_ANGLE_KEYS = (("projector", "rotation_deg"), ("mirror", "rotation_deg"))
_LARGER_UNITS = ((1000.0, "metres"), (10.0, "centimetres"))
_Ways = Callable[[Any], Iterator[tuple[Any, str]]]
"""From a value to what may have been meant instead, and why it was written as it is."""


@dataclass(frozen=True, kw_only=True)
class _Slip:
    """One number of the file put right: where, why it may have been written, and the file's values with it."""

    where: str
    why: str
    was: Any
    now: Any
    values: dict[str, Any]


def doubts(
    values: Mapping[str, Any], rig: Rig, *, meshes: Mapping[str, TriangleMesh], profiles: Mapping[str, Array]
) -> tuple[str, ...]:
    """What a reader of this rig file would ask about, one sentence each; empty for a rig that makes sense.

    Parameters
    ----------
    values : rig.toml as read (TOML's own types).
    rig : the same, parsed.
    meshes, profiles : of the files that it names, as for `build_model`.
    """
    mirror = RayTracer(mirror_triangles(rig, meshes, profiles))
    lit, side_mm = content_lit(rig, mirror)
    odd = list(_odd_sizes(rig, side_mm))
    if lit >= _DARK:
        return tuple(odd)
    said = f"By this rig.toml {100.0 * lit:.0f} % of the content area is lit"
    # of slips that light as much, those that are made more often come first, as `_slips` has them
    tried = sorted(_tried(values, mirror, profiles), key=lambda found: -round(found[0], 1))
    named = [
        f"With {slip.where} = {_shown(slip.now)} instead of {_shown(slip.was)} it would be {100.0 * share:.0f} %: "
        f"{slip.why}?"
        for share, slip in tried[:_MOST_NAMED]
    ]
    more = " ".join(named) if named else "Look at rig_sketch.png: where do projector and mirror stand and look?"
    return (*odd, f"{said}. {more}")


def _odd_sizes(rig: Rig, pixel_mm: float) -> Iterator[str]:
    size_mm = max(rig.table.size_mm)
    if not _TABLE_MM[0] <= size_mm <= _TABLE_MM[1]:
        units = [unit for factor, unit in _LARGER_UNITS if _TABLE_MM[0] <= size_mm * factor <= _TABLE_MM[1]]
        hint = f"is it in {units[0]}?" if units else "is that meant?"
        yield f"the table is {number(size_mm, 3)} mm across: {hint} Every length in rig.toml is in millimetres."
    for what, placement in (("projector", rig.projector.placement), ("mirror", rig.mirror.placement)):
        away_mm = float(np.linalg.norm(placement.position_mm))
        if away_mm > _FURTHEST_MM:
            away = f"{number(away_mm / 1000.0, 4)} m"
            yield f"{what}.position_mm is {away} from the table's middle: is it in millimetres?"
    ratio = rig.projector.throw_ratio
    if not _THROW_RATIOS[0] <= ratio <= _THROW_RATIOS[1]:
        yield (
            f"projector.throw_ratio is {ratio:g}: distance / image width is {_THROW_RATIOS[0]:g} to "
            f"{_THROW_RATIOS[1]:g} on the data sheets of projectors."
        )
    if math.isfinite(pixel_mm) and not _PIXEL_MM[0] <= pixel_mm <= _PIXEL_MM[1]:
        yield f"a projector pixel would be about {number(pixel_mm, 2)} mm on the table: are all lengths in millimetres?"


def _shown(value: Any) -> str:
    if isinstance(value, list):
        return "[" + ", ".join(f"{v:.6g}" for v in value) + "]"
    return f"{value:.6g}"


def _tried(
    values: Mapping[str, Any], mirror: RayTracer, profiles: Mapping[str, Array]
) -> Iterator[tuple[float, _Slip]]:
    """Each slip that would light the content area, with the share of it."""
    for slip in _slips(values):
        try:
            rig = rig_from_values(slip.values)
            reshaped = slip.where == ".".join(_SHAPE_KEY)  # anything else leaves the mirror's own shape as it is
            share, side_mm = content_lit(rig, RayTracer(mirror_triangles(rig, {}, profiles)) if reshaped else mirror)
        except InputError:
            continue  # no rig at all with that number: not what was meant
        if share >= _RIGHT and _PIXEL_MM[0] <= side_mm <= _PIXEL_MM[1]:
            yield share, slip


def _slips(values: Mapping[str, Any]) -> Iterator[_Slip]:
    asked: tuple[tuple[_Ways, tuple[tuple[str, str], ...]], ...] = (
        (_units, _LENGTH_KEYS),
        (_signs, _LENGTH_KEYS),
        (_one_length, (_SHAPE_KEY,)),
        (_ratio, (("projector", "throw_ratio"),)),
        (_signs, (("projector", "lens_shift"),)),
        (_one_length, (("table", "height_mm"),)),
        (_radians, _ANGLE_KEYS),
        (_signs, _ANGLE_KEYS),
        (_turns, _ANGLE_KEYS),
    )
    for ways, keys in asked:
        for section, key in keys:
            was = values.get(section, {}).get(key)
            for now, why in () if was is None else ways(was):
                if now != was:
                    changed = copy.deepcopy(dict(values))
                    changed[section][key] = now
                    yield _Slip(where=f"{section}.{key}", why=why, was=was, now=now, values=changed)


def _units(was: list[float]) -> Iterator[tuple[list[float], str]]:
    for factor, unit in (*_LARGER_UNITS, (0.1, "a tenth of a millimetre")):
        yield [factor * v for v in was], f"was it written in {unit}"


def _signs(was: list[float]) -> Iterator[tuple[list[float], str]]:
    axes = "xyz"[: len(was)]
    for i in range(len(was)):
        yield [-v if i == j else v for j, v in enumerate(was)], f"has its {axes[i]} the wrong sign"
    for i, j in itertools.combinations(range(len(was)), 2):
        swapped = list(was)
        swapped[i], swapped[j] = was[j], was[i]
        yield swapped, f"are its {axes[i]} and {axes[j]} exchanged"


def _radians(was: list[float]) -> Iterator[tuple[list[float], str]]:
    yield [math.degrees(v) for v in was], "was it written in radians"


def _turns(was: list[float]) -> Iterator[tuple[list[float], str]]:
    for i in range(3):
        for turn in (90.0, 180.0):
            yield (
                [v + turn if i == j else v for j, v in enumerate(was)],
                f"is the part turned by {turn:.0f} degrees about its {'xyz'[i]}",
            )


def _one_length(was: float) -> Iterator[tuple[float, str]]:
    yield -was, "has it the wrong sign"
    for factor, unit in _LARGER_UNITS:
        yield factor * was, f"was it written in {unit}"


def _ratio(was: float) -> Iterator[tuple[float, str]]:
    yield 1.0 / was, "is it width / distance"
    yield 0.1 * was, "is its decimal point in the wrong place"
    yield 10.0 * was, "is its decimal point in the wrong place"
