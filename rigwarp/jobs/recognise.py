"""A mirror from CAD as a closed form: the keys that say the same, and what they do to the spots, by tracing both."""

import json
import tomllib
from dataclasses import dataclass
from typing import Any

import numpy as np

from rigwarp.errors import InputError
from rigwarp.files import RigFolder
from rigwarp.geometry import PixelMap
from rigwarp.jobs.design import design_model
from rigwarp.reports.measures.pixel_scale import pixel_light
from rigwarp.rig import MeshShape, Rig, inside_content
from rigwarp.rig.parse import rig_from_values
from rigwarp.tracing import FaceForm, build_model, recognise, trace_map

_OF_MESH = ("kind", "file", "reflecting_side", "crease_deg")
_SHARE_OF_TOLERANCE = 0.1  # as for an export that is fine enough


@dataclass(frozen=True, kw_only=True)
class Recognised:
    """What the mirror's faces are.

    Attributes
    ----------
    faces : the nearest closed form of each.
    toml : lines for rig.toml, in place of kind, file, reflecting_side and crease_deg; empty where there are none.
    moved_p95_mm : how far spots on the content move with these lines; NaN without.
    light_on_content, light_on_content_before : share of the projector's light, with these lines and with the file.
    same : whether 95 % of the spots move by less than a tenth of the rig's tolerance.
    """

    faces: tuple[FaceForm, ...]
    toml: str
    moved_p95_mm: float
    light_on_content: float
    light_on_content_before: float
    same: bool


def check_from_cad(rig: Rig) -> None:
    """InputError where the mirror is not from CAD, so that there is nothing to recognise."""
    if not isinstance(rig.mirror.shape, MeshShape):
        raise InputError("mirror: it is given in closed form already; --recognise is for a mirror from a CAD file.")


def recognise_mirror(folder: RigFolder, design: PixelMap) -> Recognised:
    """Look for closed forms in a traced CAD mirror, and trace the rig with them instead.

    Raises
    ------
    InputError
        The mirror is not from CAD.
    """
    check_from_cad(folder.rig)
    found = recognise(design_model(folder).surfaces, folder.rig.mirror.placement)
    before, light = inside_content(folder.rig.content, design.table_mm), pixel_light(folder.rig.projector)
    light_before = float(light[before].sum())
    if found.keys is None:
        return Recognised(
            faces=found.faces,
            toml="",
            moved_p95_mm=np.nan,
            light_on_content=light_before,
            light_on_content_before=light_before,
            same=False,
        )
    values = tomllib.loads(folder.rig_text)
    values["mirror"] = {k: v for k, v in values["mirror"].items() if k not in _OF_MESH} | found.keys
    rig = rig_from_values(values)
    other = trace_map(build_model(rig, meshes=folder.meshes))
    both = before & other.answered
    moved = np.linalg.norm(other.table_mm - design.table_mm, axis=-1)[both]
    p95 = float(np.percentile(moved, 95)) if both.any() else np.nan
    return Recognised(
        faces=found.faces,
        toml=_toml(found.keys),
        moved_p95_mm=p95,
        light_on_content=float(light[inside_content(rig.content, other.table_mm)].sum()),
        light_on_content_before=light_before,
        same=p95 <= _SHARE_OF_TOLERANCE * rig.tolerance.content_p95_mm,
    )


def _toml(keys: dict[str, Any]) -> str:
    """The keys as lines of rig.toml; JSON writes such texts, numbers and lists of numbers as TOML does."""
    panels = [panel for key, value in keys.items() if key == "facet" for panel in value]
    lines = [f"{key} = {json.dumps(value)}" for key, value in keys.items() if key != "facet"]
    for panel in panels:
        lines += ["", "[[mirror.facet]]", *(f"{key} = {json.dumps(value)}" for key, value in panel.items())]
    return "\n".join(lines)
