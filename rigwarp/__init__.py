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
    view          the installation's own camera: which place on the table each of its pixels sees over its mirrors

beside them: samples (mirror materials compared with a glass mirror), geometry (frames, rays, pixel maps), simulation
(the virtual rig), files (everything on disk), scenarios (ready-made rigs), sheets (boards to print), reports (text,
pictures, html), jobs (what each command does, without a terminal), page (the page beside the table), talk (what
processes tell each other), commands and cli.py (the command line), defaults, words,
errors.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from rigwarp.jobs.opened_rig import OpenedRig
    from rigwarp.jobs.progress import Progress
    from rigwarp.live.library import LoadedWarp
    from rigwarp.live.view_library import LoadedView

__all__ = ["__version__", "load_view", "load_warp", "open_rig"]
__version__ = "0.1.0"


def load_warp(rig: Path | str, *, dither: bool = False) -> LoadedWarp:
    """The measured warp of a rig folder, for programs that draw themselves; see `rigwarp.live.library.load_warp`.

    `load_warp(rig).draw(texture, framebuffer)` warps on the GPU, `load_warp(rig).apply(image)` on the CPU.
    """
    from rigwarp.live import library  # brings OpenCV along: only for those who ask for it

    return library.load_warp(rig, dither=dither)


def load_view(rig: Path | str) -> LoadedView:
    """The measured view of a rig folder: `points(px, height_mm=0)`, `pixels(mm)` and `height(px1, px2)`.

    See `rigwarp.live.view_library.load_view`.
    """
    from rigwarp.live import view_library

    return view_library.load_view(rig)


def open_rig(rig: Path | str, *, progress: Progress | None = None) -> OpenedRig:
    """A rig folder and its jobs: `trace()`, `camera()`, `scan()`, `fit()`, `verify()`, `report()` and more.

    Parameters
    ----------
    rig : the folder, or its rig.toml.
    progress : hears of stages and notes while a job works; None: nobody does.

    Raises
    ------
    InputError
        If rig.toml or a file that it names is missing or wrong.
    """
    from rigwarp.files import open_rig as read_rig
    from rigwarp.jobs.opened_rig import OpenedRig
    from rigwarp.jobs.progress import SILENT

    return OpenedRig(read_rig(rig), progress=progress or SILENT)
