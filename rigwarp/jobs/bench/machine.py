"""What this computer offers: displays, cameras and an OpenGL renderer."""

from dataclasses import dataclass

from rigwarp.devices.camera_list import cameras_here
from rigwarp.devices.video_output import Monitor, start_screens
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
    gl_renderer: str | None
    gl_in_software: bool
    gl_problem: str | None
    monitors: tuple[str, ...] = ()
    gl_version: str | None = None


def look_around() -> Machine:
    """Find displays, cameras and OpenGL; opens no window and no camera."""
    driver, monitors = _displays()
    renderer, version, in_software, problem = _gl()
    return Machine(
        displays=tuple(m.size for m in monitors),
        monitors=tuple(str(m) for m in monitors),
        display_driver=driver,
        cameras=cameras_here(),
        gl_renderer=renderer,
        gl_version=version,
        gl_in_software=in_software,
        gl_problem=problem,
    )


def _displays() -> tuple[str, tuple[Monitor, ...]]:
    from rigwarp.devices.quick_pygame import pygame

    try:
        found = tuple(start_screens())
    except DeviceError as error:
        return str(error), ()
    try:
        return pygame.display.get_driver(), found
    finally:
        pygame.display.quit()


def _gl() -> tuple[str | None, str | None, bool, str | None]:
    """Renderer, version, whether it is software, and why there is none."""
    try:
        context = standalone_context()
    except DeviceError as error:
        return None, None, False, str(error)
    try:
        return str(context.info["GL_RENDERER"]), version_words(context), is_software(context), None
    finally:
        context.release()
