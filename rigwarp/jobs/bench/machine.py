"""What this computer offers: displays, cameras and an OpenGL renderer."""

from dataclasses import dataclass, replace
from typing import Any

from rigwarp.devices.camera_list import cameras_here
from rigwarp.devices.video_output import start_screens
from rigwarp.errors import DeviceError
from rigwarp.live.render.gl_context import is_software, standalone_context, version_words


@dataclass(frozen=True, kw_only=True)
class Machine:
    """Devices that were found.

    Attributes
    ----------
    displays : (width, height) of each monitor, in the order of `--display`; empty without a screen.
    monitors : the same in words, with places and names.
    display_driver : how windows are made ("x11", "wayland", "windows", "cocoa", ...), or why they cannot be.
    cameras : what the operating system calls them, by device path; empty where it does not tell.
    gl_renderer : name of the OpenGL renderer; None when there is neither OpenGL 3.3 nor OpenGL ES 3.1.
    gl_version : in words, such as "OpenGL 4.5" or "OpenGL ES 3.1"; None likewise.
    gl_in_software : True when OpenGL is computed by the CPU, so that the CPU renderer is the faster one.
    gl_problem : why there is none, in one line.
    """

    displays: tuple[tuple[int, int], ...]
    display_driver: str
    cameras: dict[str, str]
    gl_renderer: str | None = None
    gl_in_software: bool = False
    gl_problem: str | None = None
    monitors: tuple[str, ...] = ()
    gl_version: str | None = None


def look_around() -> Machine:
    """Find displays, cameras and OpenGL; opens no window and no camera."""
    found = Machine(**_displays(), cameras=cameras_here())
    try:
        context = standalone_context()
    except DeviceError as error:
        return replace(found, gl_problem=str(error))
    try:
        renderer, version = str(context.info["GL_RENDERER"]), version_words(context)
        return replace(found, gl_renderer=renderer, gl_version=version, gl_in_software=is_software(context))
    finally:
        context.release()


def _displays() -> dict[str, Any]:
    """The fields of `Machine` that say how windows are made, and on what."""
    from rigwarp.devices.quick_pygame import pygame

    try:
        found = start_screens()
    except DeviceError as error:
        return {"displays": (), "display_driver": str(error)}
    try:
        shown = {"displays": tuple(one.size for one in found), "monitors": tuple(map(str, found))}
        return {**shown, "display_driver": pygame.display.get_driver()}
    finally:
        pygame.display.quit()
