"""top.npz: the tables that make a straight top view of a view camera's pictures."""

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import InputError
from rigwarp.files.atomic import write_npz
from rigwarp.files.reading import Field, read_npz
from rigwarp.rig import TopView
from rigwarp.view.top import Lookup, TopMaps

FORMAT = "rigwarp top view"
_FIELDS = {
    "zone": Field(kind="i", dtype=np.int16, shape=("H", "W")),
    "whole_px": Field(kind="i", dtype=np.int16, shape=("H", "W", 2)),
    "fraction": Field(kind="u", dtype=np.uint16, shape=("H", "W")),
    "blended_whole_px": Field(kind="i", dtype=np.int16, shape=("H", "W", 2)),
    "blended_fraction": Field(kind="u", dtype=np.uint16, shape=("H", "W")),
    "second_whole_px": Field(kind="i", dtype=np.int16, shape=("h", "w", 2)),
    "second_fraction": Field(kind="u", dtype=np.uint16, shape=("h", "w")),
    "weights": Field(kind="f", dtype=np.float32, shape=(2, "h", "w")),
    "box": Field(kind="i", dtype=np.int64, shape=(4,)),
    "size_mm": Field(kind="f", dtype=np.float64, shape=(2,)),
    "centre_mm": Field(kind="f", dtype=np.float64, shape=(2,)),
    "mm_per_pixel": Field(kind="f", dtype=np.float64, shape=()),
    "camera_resolution": Field(kind="i", dtype=np.int64, shape=(2,)),
    "doubles_mm": Field(kind="f", dtype=np.float64, shape=()),
    "seam_mm": Field(kind="f", dtype=np.float64, shape=()),
}


def write_top(path: Path, maps: TopMaps, *, rig_hash: str) -> None:
    """Write the tables; other programs find in the header what each of them is."""
    arrays: dict[str, NDArray[Any]] = {
        "zone": maps.zone,
        "whole_px": maps.seamed.whole_px,
        "fraction": maps.seamed.fraction,
        "blended_whole_px": maps.blended.whole_px,
        "blended_fraction": maps.blended.fraction,
        "second_whole_px": maps.second.whole_px,
        "second_fraction": maps.second.fraction,
        "weights": maps.weights,
        "box": np.array(maps.box, np.int64),
        "size_mm": np.array(maps.top.size_mm, float),
        "centre_mm": np.asarray(maps.top.centre_mm, float),
        "mm_per_pixel": np.array(maps.top.mm_per_pixel),
        "camera_resolution": np.array(maps.camera_resolution, np.int64),
        "doubles_mm": np.array(maps.doubles_mm),
        "seam_mm": np.array(maps.seam_mm),
    }
    header = {
        "rig_hash": rig_hash,
        "index": "[row, column] of the top view; row 0 lies towards +y, column 0 towards -x, pixel centres",
        "tables": "cv2.remap(picture, whole_px, fraction, cv2.INTER_LINEAR): camera pixel, and 32nds of one as "
        "v * 32 + u; the picture as the camera delivers it, not flipped",
        "blend": "blended_* and second_* (in box: left, top, right, bottom), mixed with weights[0] and weights[1]",
    }
    write_npz(path, arrays, format=FORMAT, header=header)


def read_top(path: Path, *, resolution: tuple[int, int] | None = None, make_with: str = "") -> TopMaps:
    """The tables in a file; `resolution` is (width, height) of the camera that they have to be for.

    Raises
    ------
    InputError
        If the file is missing, damaged or foreign, is for another camera, or contradicts itself.
    """
    arrays, _ = read_npz(path, _FIELDS, format=FORMAT, make_with=make_with)
    box, camera = (tuple(int(n) for n in arrays[name]) for name in ("box", "camera_resolution"))
    top = TopView(
        size_mm=(float(arrays["size_mm"][0]), float(arrays["size_mm"][1])),
        centre_mm=arrays["centre_mm"],
        mm_per_pixel=float(arrays["mm_per_pixel"]),
    )
    if resolution not in (None, camera):
        found, expected = (" x ".join(map(str, size)) for size in (camera, resolution or ()))
        raise InputError(f"{path}: found {found} pixels, expected the view's {expected}. Make the file again.")
    height, width = arrays["zone"].shape
    inside = 0 <= box[0] <= box[2] <= width and 0 <= box[1] <= box[3] <= height
    fits = (box[3] - box[1], box[2] - box[0]) == arrays["second_fraction"].shape
    if not (inside and fits and top.mm_per_pixel > 0.0 and top.pixels == (width, height)):
        raise InputError(f"{path}: found tables whose sizes contradict each other. Make the file again.")
    return TopMaps(
        top=top,
        camera_resolution=(camera[0], camera[1]),
        zone=arrays["zone"],
        seamed=Lookup(whole_px=arrays["whole_px"], fraction=arrays["fraction"]),
        blended=Lookup(whole_px=arrays["blended_whole_px"], fraction=arrays["blended_fraction"]),
        second=Lookup(whole_px=arrays["second_whole_px"], fraction=arrays["second_fraction"]),
        box=(box[0], box[1], box[2], box[3]),
        weights=arrays["weights"],
        doubles_mm=float(arrays["doubles_mm"]),
        seam_mm=float(arrays["seam_mm"]),
    )
