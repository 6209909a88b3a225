"""sheets.npz: corners of printed sheets in photographs of a view's camera."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from rigwarp.errors import InputError
from rigwarp.files.atomic import write_npz
from rigwarp.files.reading import Field, read_npz
from rigwarp.rig import Target
from rigwarp.view.parts import ViewPart
from rigwarp.view.printed.found import SheetCorners, part_of

FORMAT = "rigwarp view sheets"
_FIELDS = {
    "photo": Field(kind="i", dtype=np.int64, shape=("N",)),
    "zone": Field(kind="i", dtype=np.int64, shape=("N",)),
    "pixels_px": Field(kind="f", dtype=np.float64, shape=("N", 2)),
    "board_mm": Field(kind="f", dtype=np.float64, shape=("N", 3)),
    "square_px": Field(kind="f", dtype=np.float64, shape=("N",)),
    "flipped": Field(kind="b", dtype=np.bool_, shape=("N",)),
}
_SCALE = {"scale": Field(kind="f", dtype=np.float64, shape=(2,))}


def write_sheets(path: Path, corners: Sequence[SheetCorners], target: Target, *, photos: Sequence[str]) -> None:
    """Write the corners; `target` is the print by which their places on the sheet are told, `photos` their names."""
    counts = [len(one.pixels_px) for one in corners]
    arrays = {
        name: np.repeat(np.array([getattr(one, name) for one in corners]), counts)
        for name in ("photo", "zone", "flipped")
    }
    arrays |= {
        name: np.concatenate([getattr(one, name) for one in corners]) for name in ("pixels_px", "board_mm", "square_px")
    }
    arrays["scale"] = np.array(target.scale)
    header = {
        "photos": list(photos),
        "pixels": "raw pixels of the view's camera, also where the board was found flipped",
    }
    write_npz(path, arrays, format=FORMAT, header=header)


def read_sheets(path: Path, parts: Sequence[ViewPart], target: Target) -> tuple[list[SheetCorners], list[str]]:
    """The corners, for a view with these parts and a print that may have been measured better since; and the names of
    the photographs.

    Raises
    ------
    InputError
        The file is missing, damaged or foreign, or names zones that the view has not.
    """
    arrays, header = read_npz(path, _FIELDS, format=FORMAT, optional=_SCALE)
    known = {zone for part in parts for zone in part.zones}
    if not set(np.unique(arrays["zone"])) <= known:
        raise InputError(
            f"{path}: found zones that the view in rig.toml has not. Look at the photographs again: "
            "rigwarp view scan RIG --sheet PHOTO"
        )
    grown = np.append(target.scale / arrays.get("scale", np.array(target.scale)), 1.0)
    corners = []
    for photo, zone in np.unique(np.stack([arrays["photo"], arrays["zone"]], axis=-1), axis=0):
        here = (arrays["photo"] == photo) & (arrays["zone"] == zone)
        corners.append(
            SheetCorners(
                photo=int(photo),
                part=part_of(parts, int(zone)),
                zone=int(zone),
                pixels_px=arrays["pixels_px"][here],
                board_mm=arrays["board_mm"][here] * grown,
                square_px=arrays["square_px"][here],
                flipped=bool(arrays["flipped"][here][0]),
            )
        )
    return corners, [str(name) for name in header.get("photos", [])]
