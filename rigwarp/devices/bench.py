"""The display and the camera that a rig file asks for."""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass

from rigwarp.devices.protocols import Camera, Display
from rigwarp.files import RigFolder, read_text
from rigwarp.files.names import VIRTUAL_FILE
from rigwarp.simulation import VirtualRig, parse_truth

VIRTUAL = "virtual"


@dataclass(frozen=True, kw_only=True)
class Bench:
    """A display that shines onto the table and a camera that watches it."""

    display: Display
    camera: Camera


@contextmanager
def open_bench(folder: RigFolder, *, display: int | None = None, raised_mm: float = 0.0) -> Iterator[Bench]:
    """The devices of a rig, given back at the end.

    Parameters
    ----------
    display : number of the monitor that is the projector; by default the only one of its size beside the primary one.
        Virtual rigs have a display of their own.
    raised_mm : how much higher the board on the table stands; a virtual rig's table is raised by it.

    Raises
    ------
    DeviceError
        If the camera or the display is missing, busy, or not as the rig file says.
    """
    with ExitStack() as opened:
        virtual = folder.rig.camera.device == VIRTUAL
        yield _virtual(folder, opened, raised_mm) if virtual else _real(folder, display, opened)


def _virtual(folder: RigFolder, opened: ExitStack, raised_mm: float) -> Bench:
    virtual = open_virtual(folder, raised_mm=raised_mm)
    opened.callback(virtual.display.close)
    opened.callback(virtual.camera.close)
    return Bench(display=virtual.display, camera=virtual.camera)


def _real(folder: RigFolder, display: int | None, opened: ExitStack) -> Bench:
    from rigwarp.devices.open_camera import open_camera  # with the window toolkit, only when there is a window
    from rigwarp.devices.window_display import open_window_display

    camera = open_camera(folder.rig.camera.device, folder.rig.camera.resolution)
    opened.callback(camera.close)
    window = open_window_display(folder.rig.projector.resolution, display=display)
    opened.callback(window.close)
    return Bench(display=window, camera=camera)


def open_virtual(folder: RigFolder, *, raised_mm: float = 0.0) -> VirtualRig:
    """The virtual rig of a folder that has a virtual.toml; `raised_mm` with a board of that height on its table.

    Raises
    ------
    InputError
        If virtual.toml is missing or wrong.
    """
    path = folder.root / VIRTUAL_FILE
    text = read_text(path, make_with="Only virtual rigs have one; for a real rig set camera.device to the camera.")
    truth = parse_truth(text, folder.rig, source=str(path))
    virtual = VirtualRig(folder.rig, truth, meshes=folder.meshes, profiles=folder.profiles)
    return virtual.raised(raised_mm) if raised_mm else virtual
