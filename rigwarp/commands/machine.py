"""What this computer offers: displays, cameras and an OpenGL renderer."""

import os
import sys
from dataclasses import dataclass
from pathlib import Path

from rigwarp.errors import DeviceError
from rigwarp.live.gl_context import is_software, standalone_context


@dataclass(frozen=True, kw_only=True)
class Machine:
    """Devices that were found.

    Attributes
    ----------
    displays : (width, height) of each monitor, in the order of `--display`; empty without a screen.
    display_driver : how windows are made ("x11", "wayland", "windows", "cocoa", ...), or why they cannot be.
    cameras : what the operating system calls them, by device path; empty where it does not tell.
    gl_renderer : name of the OpenGL renderer; None when there is no OpenGL 3.3.
    gl_in_software : True when OpenGL is computed by the CPU, so that the CPU renderer is the faster one.
    gl_problem : why there is none, in one line.
    """

    displays: tuple[tuple[int, int], ...]
    display_driver: str
    cameras: dict[str, str]
    gl_renderer: str | None
    gl_in_software: bool
    gl_problem: str | None


def look_around() -> Machine:
    """Find displays, cameras and OpenGL; opens no window and no camera."""
    driver, displays = _displays()
    renderer, in_software, problem = _gl()
    return Machine(
        displays=displays,
        display_driver=driver,
        cameras=_cameras(),
        gl_renderer=renderer,
        gl_in_software=in_software,
        gl_problem=problem,
    )


def _on_linux() -> bool:
    return sys.platform.startswith("linux")


def _displays() -> tuple[str, tuple[tuple[int, int], ...]]:
    if _on_linux() and not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        return "neither X nor Wayland runs here", ()  # SDL would try, complain on stderr and make one up
    import pygame

    try:
        pygame.display.init()
    except pygame.error as error:
        return str(error), ()
    try:
        driver = pygame.display.get_driver()
        # without a screen SDL silently takes "offscreen" or "dummy", whose one display is made up
        sizes = () if driver in ("offscreen", "dummy") else tuple(pygame.display.get_desktop_sizes())
        return driver, sizes
    finally:
        pygame.display.quit()


def _gl() -> tuple[str | None, bool, str | None]:
    """Renderer, whether it is software, and why there is none."""
    try:
        context = standalone_context()
    except DeviceError as error:
        return None, False, str(error)
    try:
        return str(context.info["GL_RENDERER"]), is_software(context), None
    finally:
        context.release()


def _cameras() -> dict[str, str]:
    """Linux only: other systems tell camera names through their own frameworks."""
    found = {}
    for device in sorted(Path("/sys/class/video4linux").glob("video*"), key=lambda p: int(p.name[5:])):
        name = device / "name"
        found[f"/dev/{device.name}"] = name.read_text(errors="replace").strip() if name.is_file() else "unnamed"
    return found
