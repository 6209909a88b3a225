"""The design of a rig folder: its optical model and its map, traced once and kept in design.npz."""

from rigwarp.errors import InputError
from rigwarp.files import RigFolder, read_map, write_map
from rigwarp.files.names import DESIGN_FILE
from rigwarp.files.records import MapOrigin
from rigwarp.geometry import PixelMap
from rigwarp.prewarp import Prewarp, build_prewarp
from rigwarp.rig import Content
from rigwarp.tracing import OpticalModel, build_model, check_export, trace_map


def design_model(folder: RigFolder) -> OpticalModel:
    """The designed light path of a rig."""
    return build_model(folder.rig, meshes=folder.meshes, profiles=folder.profiles)


def trace_design(folder: RigFolder, model: OpticalModel) -> PixelMap:
    """Trace the design and write design.npz, in place of an older one.

    Raises
    ------
    InputError
        A mirror from CAD leaves the design less certain than the tolerance of the picture.
    """
    design = trace_map(model)
    check = check_export(model, design, folder.rig)
    if check is not None and not check.usable:
        raise InputError(f"mirror.file: {check.advice}")
    write_map(folder.root / DESIGN_FILE, design, rig_hash=folder.rig_hash, replace=True)
    return design


def design_map(folder: RigFolder) -> PixelMap:
    """The design map: from design.npz when it belongs to this rig.toml, else traced anew."""
    path = folder.root / DESIGN_FILE
    if path.exists():
        design, header = read_map(path, resolution=folder.rig.projector.resolution)
        if MapOrigin.from_dict(header).rig_hash == folder.rig_hash:
            return design
    return trace_design(folder, design_model(folder))


def design_prewarp(folder: RigFolder, content: Content | None = None) -> Prewarp:
    """The warp that one would use without measuring: that of the traced design, for the rig's or another canvas."""
    return build_prewarp(design_map(folder), content or folder.rig.content, folder.rig.projector.transfer)
