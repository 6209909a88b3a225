"""The rig file: what was designed, read and validated."""

from rigwarp.rig.canvas import content_to_table, inside_content, inside_table, outline_mm, table_to_content
from rigwarp.rig.keys import MEASURED_LENGTHS
from rigwarp.rig.model import (
    CameraSpec,
    ConicShape,
    Content,
    Facet,
    FacetsShape,
    Measured,
    MeshShape,
    Mirror,
    MirrorShape,
    Obstacle,
    ProfileShape,
    Projector,
    Rig,
    Shape,
    Sheet,
    Table,
    Target,
    Tolerance,
    Transfer,
)
from rigwarp.rig.parse import parse_rig
from rigwarp.rig.transfer import decode_transfer, encode_transfer

__all__ = [
    "MEASURED_LENGTHS",
    "CameraSpec",
    "ConicShape",
    "Content",
    "Facet",
    "FacetsShape",
    "Measured",
    "MeshShape",
    "Mirror",
    "MirrorShape",
    "Obstacle",
    "ProfileShape",
    "Projector",
    "Rig",
    "Shape",
    "Sheet",
    "Table",
    "Target",
    "Tolerance",
    "Transfer",
    "content_to_table",
    "decode_transfer",
    "encode_transfer",
    "inside_content",
    "inside_table",
    "outline_mm",
    "parse_rig",
    "table_to_content",
]
