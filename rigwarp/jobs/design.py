"""The design of a rig folder: its optical model and its map, traced once and kept in design.npz."""

from rigwarp.files import RigFolder, read_map, write_map
from rigwarp.files.names import DESIGN_FILE
from rigwarp.files.records import MapOrigin
from rigwarp.geometry import PixelMap
from rigwarp.prewarp import Prewarp, build_prewarp
from rigwarp.tracing import OpticalModel, build_model, trace_map


def design_model(folder: RigFolder) -> OpticalModel:
    """The designed light path of a rig."""
    return build_model(folder.rig, meshes=folder.meshes, profiles=folder.profiles)


def trace_design(folder: RigFolder, model: OpticalModel) -> PixelMap:
    """Trace the design and write design.npz, in place of an older one."""
    design = trace_map(model)
    write_map(folder.root / DESIGN_FILE, design, rig_hash=folder.rig_hash, replace=True)
    return design


def design_map(folder: RigFolder) -> PixelMap:
    """The design map: from design.npz when it belongs to this rig.toml, else traced anew."""
    path = folder.root / DESIGN_FILE
    if path.exists():
        design, header = read_map(path)
        if MapOrigin.from_dict(header).rig_hash == folder.rig_hash:
            return design
    return trace_design(folder, design_model(folder))


def design_prewarp(folder: RigFolder) -> Prewarp:
    """The warp that one would use without measuring: that of the traced design."""
    return build_prewarp(design_map(folder), folder.rig.content, folder.rig.projector.transfer)
