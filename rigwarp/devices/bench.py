"""The display and the camera that a rig file asks for."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from rigwarp.devices.protocols import Camera, Display
from rigwarp.errors import DeviceError
from rigwarp.files import RigFolder, read_text
from rigwarp.simulation import VirtualRig, parse_truth

VIRTUAL = "virtual"
_TRUTH_FILE = "virtual.toml"


@dataclass(frozen=True, kw_only=True)
class Bench:
    """A display that shines onto the table and a camera that watches it."""

    display: Display
    camera: Camera


@contextmanager
def open_bench(folder: RigFolder) -> Iterator[Bench]:
    """The devices of a rig, given back at the end.

    Raises
    ------
    DeviceError
        For anything but a virtual rig: live capture from real devices is not built yet.
    """
    if folder.rig.camera.device != VIRTUAL:
        raise DeviceError(
            f"{folder.root}: camera.device is {folder.rig.camera.device!r}, and real cameras cannot be driven yet. "
            f"Show the patterns and take the photographs by hand: rigwarp scan {folder.root} --export DIR, "
            f"then rigwarp scan {folder.root} --import DIR"
        )
    virtual = open_virtual(folder)
    try:
        yield Bench(display=virtual.display, camera=virtual.camera)
    finally:
        virtual.camera.close()
        virtual.display.close()


def open_virtual(folder: RigFolder) -> VirtualRig:
    """The virtual rig of a folder that has a virtual.toml.

    Raises
    ------
    InputError
        If virtual.toml is missing or wrong.
    """
    path = folder.root / _TRUTH_FILE
    text = read_text(path, make_with="Only virtual rigs have one; for a real rig set camera.device to the camera.")
    truth = parse_truth(text, folder.rig, source=str(path))
    return VirtualRig(folder.rig, truth, meshes=folder.meshes, profiles=folder.profiles)
