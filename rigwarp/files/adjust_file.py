"""adjust.json: the correction by hand, on top of the measured map; every change counts its revision up."""

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from rigwarp.errors import InputError
from rigwarp.files.atomic import write_json
from rigwarp.files.names import ADJUST_FILE
from rigwarp.files.reading import read_json
from rigwarp.prewarp import UNCHANGED, Adjustment, Drag
from rigwarp.prewarp.adjustment import LIMITS, MOST_CORNERS, MOST_DRAGS

FORMAT: Final = "rigwarp adjust"
_CHOICES: Final = ("flatten_limit", "flatten_falloff")
"""Numbers that may be null."""
_FURTHEST_MM = 100_000.0


def write_adjustment(path: Path, adjustment: Adjustment, *, revision: int) -> None:
    """Write the correction whole, in place of the one before."""
    write_json(path, {"revision": revision, **asdict(adjustment)}, format=FORMAT, replace=True)


def read_adjustment(path: Path) -> tuple[Adjustment, int]:
    """The correction in a file, and its revision.

    Raises
    ------
    InputError
        If the file is missing, damaged or foreign, or a value is out of bounds.
    """
    contents = read_json(path, format=FORMAT)
    unknown = set(contents) - {"revision", *asdict(Adjustment())}
    if unknown:
        raise _wrong(path, f"the key {min(unknown)!r}", "only keys of this format")
    revision = contents.get("revision", 0)
    if type(revision) is not int or revision < 0:
        raise _wrong(path, f"revision {json.dumps(revision)[:60]}", "a whole number, 0 or more")
    numbers: dict[str, Any] = {
        key: None if value is None and key in _CHOICES else _number(path, key, value, *LIMITS[key])
        for key in LIMITS
        for value in [contents.get(key, getattr(Adjustment(), key))]
    }
    drags = _list(path, "drags", contents.get("drags", []), MOST_DRAGS)
    masks = _list(path, "masks", contents.get("masks", []), MOST_CORNERS)
    corners = sum(len(mask) for mask in masks if isinstance(mask, list))
    if corners > MOST_CORNERS:
        raise _wrong(path, f"masks of {corners} corners", f"at most {MOST_CORNERS} together")
    adjustment = Adjustment(
        shift_mm=_point(path, "shift_mm", contents.get("shift_mm", [0.0, 0.0])),
        drags=tuple(_drag(path, f"drags[{i}]", drag) for i, drag in enumerate(drags)),
        masks=tuple(_mask(path, f"masks[{i}]", mask) for i, mask in enumerate(masks)),
        **numbers,
    )
    return adjustment, revision


def hand_correction(root: Path) -> tuple[Adjustment, int]:
    """The correction in force in a rig folder, and its revision; errors as `read_adjustment`, but none is no error."""
    path = root / ADJUST_FILE
    return read_adjustment(path) if path.exists() else (UNCHANGED, 0)


def _drag(path: Path, key: str, value: Any) -> Drag:
    if not isinstance(value, dict) or not {"at_mm", "by_mm"} <= set(value) <= {"at_mm", "by_mm", "reach_mm"}:
        raise _wrong(path, f"{key} {json.dumps(value)[:60]}", "at_mm, by_mm and reach_mm")
    reach = value.get("reach_mm", Drag(at_mm=(0, 0), by_mm=(0, 0)).reach_mm)
    return Drag(
        at_mm=_point(path, f"{key}.at_mm", value["at_mm"]),
        by_mm=_point(path, f"{key}.by_mm", value["by_mm"]),
        reach_mm=_number(path, f"{key}.reach_mm", reach, 0.1, _FURTHEST_MM),
    )


def _mask(path: Path, key: str, value: Any) -> tuple[tuple[float, float], ...]:
    corners = tuple(
        _point(path, f"{key}[{i}]", corner) for i, corner in enumerate(_list(path, key, value, MOST_CORNERS))
    )
    if len(corners) < 3:
        raise _wrong(path, f"{key} with {len(corners)} corners", "three or more")
    return corners


def _list(path: Path, key: str, value: Any, most: int) -> list[Any]:
    if not isinstance(value, list) or len(value) > most:
        raise _wrong(path, f"{key} {json.dumps(value)[:60]}", f"a list of at most {most}")
    return value


def _point(path: Path, key: str, value: Any) -> tuple[float, float]:
    if not isinstance(value, list) or len(value) != 2:
        raise _wrong(path, f"{key} {json.dumps(value)[:60]}", "[x, y] in millimetres")
    x, y = (_number(path, key, part, -_FURTHEST_MM, _FURTHEST_MM) for part in value)
    return x, y


def _number(path: Path, key: str, value: Any, least: float, most: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not least <= value <= most:
        raise _wrong(path, f"{key} {json.dumps(value)[:60]}", f"a number from {least:g} to {most:g}")
    return float(value)


def _wrong(path: Path, found: str, expected: str) -> InputError:
    return InputError(f"{path}: found {found}, expected {expected}. Correct the file, or remove it to start afresh.")
