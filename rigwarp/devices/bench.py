"""The display and the camera that a rig file asks for."""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rigwarp.devices.protocols import Camera, Display, Frame
from rigwarp.files import RigFolder, read_text
from rigwarp.files.names import VIRTUAL_FILE
from rigwarp.geometry import BoolArray

if TYPE_CHECKING:  # 20 MB that real rigs, and the player, have no use for
    from rigwarp.simulation import VirtualRig, VirtualTruth
    from rigwarp.simulation.view import VirtualView

VIRTUAL = "virtual"


@dataclass(frozen=True, kw_only=True)
class Bench:
    """A display that shines onto the table and a camera that watches it."""

    display: Display
    camera: Camera


DisplayChoice = int | Display | None
"""Which display shows the frames: the monitor of that number, the projector by its size (None), or one that is open."""


@contextmanager
def open_bench(
    folder: RigFolder, *, display: DisplayChoice = None, raised_mm: float = 0.0, view: bool = False
) -> Iterator[Bench]:
    """The devices of a rig, given back at the end.

    Parameters
    ----------
    display : number of the monitor that is the projector; by default the only one of its size beside the primary one.
        Virtual rigs have a display of their own. One that is open already is used as it is, and not closed.
    raised_mm : how much higher the board on the table stands; a virtual rig's table is raised by it.
    view : the rig's camera is that of its view.

    Raises
    ------
    DeviceError
        If the camera or the display is missing, busy, or not as the rig file says.
    """
    with ExitStack() as opened:
        virtual = folder.rig.camera.device == VIRTUAL
        yield _virtual(folder, display, opened, raised_mm, view=view) if virtual else _real(folder, display, opened)


class ShownOnBoth:
    """Shows frames on two displays: the player's window, and the one that a virtual camera sees."""

    def __init__(self, window: Display, other: Display) -> None:
        self._window, self._other = window, other
        self.resolution = window.resolution

    def show(self, frame: Frame) -> None:
        """Show a frame on both."""
        self._window.show(frame)
        self._other.show(frame)

    def close(self) -> None:
        """Neither belongs to it."""


class MaskedDisplay:
    """Shows pictures on another display, black outside a mask: to light one zone of the mirror at a time.

    Parameters
    ----------
    display : where the pictures go.
    mask : (H, W) pixels that may shine.

    Attributes
    ----------
    whole : the display itself, for pictures of all zones.
    resolution : (width, height) in native pixels.
    """

    def __init__(self, display: Display, mask: BoolArray) -> None:
        self.whole = display
        self.resolution = display.resolution
        self._mask = mask

    def show(self, frame: Frame) -> None:
        """Show the frame's part inside the mask."""
        mask = self._mask if frame.ndim == 2 else self._mask[..., None]
        self.whole.show(np.where(mask, frame, np.uint8(0)))

    def close(self) -> None:
        """Leaves the display itself open: it belongs to somebody else."""


def _virtual(folder: RigFolder, display: DisplayChoice, opened: ExitStack, raised_mm: float, *, view: bool) -> Bench:
    virtual = open_virtual(folder, raised_mm=raised_mm)
    opened.callback(virtual.display.close)
    opened.callback(virtual.camera.close)
    lent = None if display is None or isinstance(display, int) else display
    shown = virtual.display if lent is None else ShownOnBoth(lent, virtual.display)
    camera = open_virtual_view(folder).camera(virtual) if view else virtual.camera
    return Bench(display=shown, camera=camera)


def _real(folder: RigFolder, display: DisplayChoice, opened: ExitStack) -> Bench:
    from rigwarp.devices.open_camera import open_camera  # with the window toolkit, only when there is a window
    from rigwarp.devices.window_display import open_window_display

    wanted = folder.rig.camera
    camera = open_camera(wanted.device, wanted.resolution, wanted.channel)
    opened.callback(camera.close)
    if display is not None and not isinstance(display, int):
        return Bench(display=display, camera=camera)
    window = open_window_display(folder.rig.projector.resolution, display=display)
    opened.callback(window.close)
    return Bench(display=window, camera=camera)


def open_virtual_view(folder: RigFolder) -> "VirtualView":
    """The view of a virtual rig.

    Raises
    ------
    InputError
        If virtual.toml is missing or wrong, or the rig has no view.
    """
    from rigwarp.simulation.view import VirtualView

    return VirtualView(folder.rig, _truth_of(folder), meshes=folder.meshes, profiles=folder.profiles)


def open_virtual(folder: RigFolder, *, raised_mm: float = 0.0) -> "VirtualRig":
    """The virtual rig of a folder that has a virtual.toml; `raised_mm` with a board of that height on its table.

    Raises
    ------
    InputError
        If virtual.toml is missing or wrong.
    """
    from rigwarp.simulation import VirtualRig

    virtual = VirtualRig(folder.rig, _truth_of(folder), meshes=folder.meshes, profiles=folder.profiles)
    return virtual.raised(raised_mm) if raised_mm else virtual


def _truth_of(folder: RigFolder) -> "VirtualTruth":
    from rigwarp.simulation import parse_truth

    path = folder.root / VIRTUAL_FILE
    text = read_text(path, make_with="Only virtual rigs have one; for a real rig set camera.device to the camera.")
    return parse_truth(text, folder.rig, source=str(path))
