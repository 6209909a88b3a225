"""What this computer offers: displays, cameras and an OpenGL renderer."""

import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

_SOFTWARE_RENDERERS = ("llvmpipe", "softpipe", "swrast", "gdi generic", "basic render")
_GL_PACKAGES = "on Debian and Ubuntu: apt install libgl1 libegl1 libgl1-mesa-dri"


@dataclass(frozen=True, kw_only=True)
class Machine:
    """Devices that were found.

    Attributes
    ----------
    displays : (width, height) of each monitor, in the order of `--display`; empty without a screen.
    display_driver : how windows are made ("x11", "wayland", "windows", "cocoa", ...), or why they cannot be.
    cameras : what the operating system calls them, by device path; empty where it does not tell.
    gl_renderer : name of the OpenGL renderer; None when there is no OpenGL 3.3.
    gl_problem : why there is none, in one line.
    """

    displays: tuple[tuple[int, int], ...]
    display_driver: str
    cameras: dict[str, str]
    gl_renderer: str | None
    gl_problem: str | None

    @property
    def gl_in_software(self) -> bool:
        """True when OpenGL is computed by the CPU, so that the CPU renderer is the faster one."""
        return self.gl_renderer is not None and any(name in self.gl_renderer.lower() for name in _SOFTWARE_RENDERERS)


def look_around() -> Machine:
    """Find displays, cameras and OpenGL; opens no window and no camera."""
    driver, displays = _displays()
    renderer, problem = _gl()
    return Machine(
        displays=displays, display_driver=driver, cameras=_cameras(), gl_renderer=renderer, gl_problem=problem
    )


def _on_linux() -> bool:
    return sys.platform.startswith("linux")


def _displays() -> tuple[str, tuple[tuple[int, int], ...]]:
    if _on_linux() and not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        return "none: neither X nor Wayland runs here", ()  # SDL would try, complain on stderr and make one up
    import pygame

    try:
        pygame.display.init()
    except pygame.error as error:
        return f"none ({error})", ()
    try:
        driver = pygame.display.get_driver()
        # without a screen SDL silently takes "offscreen" or "dummy", whose one display is made up
        sizes = () if driver in ("offscreen", "dummy") else tuple(pygame.display.get_desktop_sizes())
        return driver, sizes
    finally:
        pygame.display.quit()


def _gl() -> tuple[str | None, str | None]:
    import moderngl

    windowless: dict[str, Any] = {"backend": "egl"} if _on_linux() and not os.environ.get("DISPLAY") else {}
    try:
        context = moderngl.create_context(require=330, standalone=True, **windowless)
    except Exception as error:  # moderngl raises bare exceptions when libGL or libEGL is missing
        return None, f"{' '.join(str(error).split())[:120]} ({_GL_PACKAGES})"
    try:
        return str(context.info["GL_RENDERER"]), None
    finally:
        context.release()


def _cameras() -> dict[str, str]:
    """Linux only: other systems tell camera names through their own frameworks."""
    found = {}
    for device in sorted(Path("/sys/class/video4linux").glob("video*"), key=lambda p: int(p.name[5:])):
        name = device / "name"
        found[f"/dev/{device.name}"] = name.read_text(errors="replace").strip() if name.is_file() else "unnamed"
    return found
