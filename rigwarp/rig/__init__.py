"""The rig file: what was designed, read and validated."""

from rigwarp.rig.model import (
    CameraSpec,
    ConicShape,
    Content,
    Facet,
    FacetsShape,
    MeshShape,
    Mirror,
    MirrorShape,
    Obstacle,
    ProfileShape,
    Projector,
    Rig,
    Shape,
    Table,
    Target,
    Tolerance,
    Transfer,
)
from rigwarp.rig.transfer import decode_transfer, encode_transfer

__all__ = [
    "CameraSpec",
    "ConicShape",
    "Content",
    "Facet",
    "FacetsShape",
    "MeshShape",
    "Mirror",
    "MirrorShape",
    "Obstacle",
    "ProfileShape",
    "Projector",
    "Rig",
    "Shape",
    "Table",
    "Target",
    "Tolerance",
    "Transfer",
    "decode_transfer",
    "encode_transfer",
]
