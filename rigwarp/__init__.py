"""rigwarp: calibrate a projector that shines onto a table through a home-made mirror, and play content undistorted.

Rooms, in working order:

    rig           what was designed (rig.toml)
    tracing       where the design sends each projector pixel
    patterns      the structured-light frames
    devices       displays and cameras, real and virtual
    capture       frames out, photographs in
    decode        photographs -> projector pixel seen by each camera pixel
    camera        lens and table pose of the camera
    table_map     projector pixel -> table mm, measured, with its uncertainty
    as_built      how the built mirror strays from the design
    prewarp       the mesh and gain that undo the distortion
    live          content through the prewarp, on a screen or into a file
    verification  what really lands on the table

beside them: geometry (frames, rays, pixel maps), simulation (the virtual rig), files (everything on disk),
reports (text, pictures, html), commands and cli.py (the command line), errors.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rigwarp.live.library import load_warp

__all__ = ["__version__", "load_warp"]
__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    """`load_warp` brings OpenCV along, so it is imported when it is first asked for."""
    if name == "load_warp":
        from rigwarp.live.library import load_warp

        return load_warp
    raise AttributeError(f"module 'rigwarp' has no attribute {name!r}")
