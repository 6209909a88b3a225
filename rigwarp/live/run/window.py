"""A borderless window of the projector's native size on a chosen display, drawn by OpenGL or by the CPU."""

import time
import warnings
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.defaults import Drawing
from rigwarp.devices.quick_pygame import pygame
from rigwarp.devices.video_output import (
    HOW_TO_START,
    MADE_UP_SCREENS,
    Monitor,
    dress_window,
    monitors,
    prepare_environment,
    start_screens,
)
from rigwarp.devices.window_display import MonitorSeat
from rigwarp.errors import DeviceError, UsageError
from rigwarp.live.operate.operator import Input
from rigwarp.live.render.cpu import CpuRenderer
from rigwarp.live.render.gl_context import COMPUTE_VERSION, DRAWING_VERSION, ES_VERSION, gl_missing, is_software
from rigwarp.live.render.picture import AnyPicture, Picture, rgb_of
from rigwarp.live.render.warp import Warp, as_warp
from rigwarp.prewarp import Prewarp

if TYPE_CHECKING:  # a machine without moderngl draws by the CPU
    import moderngl

    from rigwarp.live.render.gl import GlRenderer

_WAIT_S = 2.0
_BGRX_MASKS = (0xFF0000, 0xFF00, 0xFF)
"""How nearly all screens keep their pixels: OpenCV writes that directly, in a third of the time of pygame's own way."""
_POINTER: dict[int, Literal["press", "move", "release"]] = {
    pygame.MOUSEBUTTONDOWN: "press",
    pygame.MOUSEMOTION: "move",
    pygame.MOUSEBUTTONUP: "release",
}


class Window:
    """What the projector shows; `resolution` is (width, height) in native pixels. Open it with `open_window`."""

    def __init__(
        self,
        renderer: "GlRenderer | CpuRenderer",
        screen: "moderngl.Framebuffer | None",
        notice: str,
        seat: MonitorSeat | None = None,
    ) -> None:
        self._renderer = renderer
        self.resolution = renderer.resolution
        self._screen = screen
        self._seat = seat
        self._open = True
        self._picture: AnyPicture | None = None
        self._stale = False
        self.notice = notice

    @property
    def drawing(self) -> str:
        """Who draws: the name of the OpenGL renderer, or the CPU."""
        return "CPU (OpenCV remap)" if isinstance(self._renderer, CpuRenderer) else self._renderer.name

    @property
    def on_gpu(self) -> bool:
        """True when OpenGL draws; it takes video frames as their decoder gives them."""
        return not isinstance(self._renderer, CpuRenderer)

    def show(self, picture: AnyPicture | None) -> None:
        """Show a picture, warped; None: the one before once more. Returns after the flip."""
        if not isinstance(self._renderer, CpuRenderer):
            assert self._screen is not None  # a GL window has one
            if picture is not None:
                self._renderer.load(picture)
            self._renderer.draw(self._screen)
        elif picture is not None or self._stale:
            picture = self._picture if picture is None else picture
            assert picture is not None  # the first call brings one
            self._picture, self._stale = picture, False  # now: the one before need not be there while this is drawn
            put(self._renderer.render(rgb_of(picture)), pygame.display.get_surface())
        pygame.display.flip()

    def show_frame(self, frame: NDArray[np.uint8]) -> None:
        """Show a (H, W) grey or (H, W, 3) RGB projector frame as it is; it is on its way out when this returns."""
        colours = frame if frame.ndim == 3 else np.repeat(frame[..., None], 3, axis=2)
        if not isinstance(self._renderer, CpuRenderer):
            assert self._screen is not None  # a GL window has one
            self._renderer.draw_frame(colours, self._screen)
        else:
            put(colours, pygame.display.get_surface())
            self._stale = self._picture is not None
        pygame.display.flip()
        if not isinstance(self._renderer, CpuRenderer):
            self._renderer.finish()  # a flip only queues the frame

    def prepare(self, warp: Warp, size: tuple[int, int]) -> None:
        """Do the slow part of drawing pictures of another size, or by another warp, beforehand; from any thread."""
        self._renderer.prepare(warp, size)

    def use(self, warp: Warp) -> None:
        """Draw with another warp from the next `show` on."""
        self._renderer.use(warp)
        self._stale = self._picture is not None

    def blank(self) -> None:
        """Black, in both buffers."""
        for _ in range(2):
            if self._screen is not None:
                self._screen.use()
                self._screen.clear(0.0, 0.0, 0.0)
            else:
                pygame.display.get_surface().fill((0, 0, 0))
            pygame.display.flip()

    def inputs(self) -> tuple[list[Input], bool]:
        """What people did since the last call, and True after Escape, q, or the window manager's close."""
        found: list[Input] = []
        stop = False
        for event in pygame.event.get():
            if event.type == pygame.QUIT:
                stop = True
            elif event.type == pygame.KEYDOWN:
                stop |= event.key in (pygame.K_ESCAPE, pygame.K_q)
                found.append(_key(event))
            elif event.type in _POINTER and getattr(event, "button", 1) == 1:
                found.append(Input(kind=_POINTER[event.type], at_px=(int(event.pos[0]), int(event.pos[1]))))
            elif event.type == pygame.MOUSEWHEEL:
                found.append(Input(kind="wheel", turn=int(event.y)))
        return found, stop

    def grab(self) -> Picture:
        """(H, W, 3) what the window holds: for tests."""
        if self._screen is not None:
            from rigwarp.live.render.gl import frame_of

            return frame_of(self._screen)
        return np.ascontiguousarray(pygame.surfarray.array3d(pygame.display.get_surface()).swapaxes(0, 1))

    def screen_is_there(self) -> bool:
        """False once the monitor that the window was opened on is gone, or runs at another size."""
        return self._seat is None or self._seat.is_there()

    def close(self) -> None:
        """Leave black and close; calling it twice is fine."""
        if not self._open:
            return
        self._open = False
        self.blank()
        if self._seat is not None:
            self._seat.close()
        self._renderer.close()
        pygame.display.quit()


def put(frame: Picture, surface: pygame.Surface) -> None:
    """Write an RGB frame into a surface of its size."""
    height, width = frame.shape[:2]
    if surface.get_bytesize() == 4 and surface.get_masks()[:3] == _BGRX_MASKS:
        memory: Any = surface.get_buffer()  # a buffer, which the stubs do not know; the surface is locked meanwhile
        pixels: Picture = np.ndarray((height, width, 4), np.uint8, memory, strides=(surface.get_pitch(), 4, 1))
        cv2.cvtColor(frame, cv2.COLOR_RGB2BGRA, dst=pixels)
        return
    memory = np.ascontiguousarray(frame)
    surface.blit(pygame.image.frombuffer(memory, (width, height), "RGB"), (0, 0))


def open_window(
    prewarp: Prewarp | Warp,
    *,
    display: int | None = None,
    drawing: Drawing = "auto",
    dither: bool = False,
    in_memory: bool = True,
) -> Window:
    """Open the window.

    Parameters
    ----------
    prewarp : what to draw with; its projector resolution is the window's size.
    display : number of the display, 0 the first; None: the projector by its size, see `projector_monitor`.
    dither : between code values, see `thresholds`.
    in_memory : draw into memory where there is no screen.
    drawing : "auto" takes OpenGL when a GPU does it and the CPU otherwise; "gl" and "cpu" insist.

    Raises
    ------
    DeviceError
        When there is no screen or no such display, or "gl" is asked for and missing.
    """
    prepare_environment()
    if drawing not in ("auto", "gl", "cpu"):
        raise UsageError(f"drawing {drawing!r} is not one of auto, gl, cpu")
    try:
        pygame.display.init()
    except pygame.error as error:
        raise DeviceError(f"no window can be opened ({error}): {HOW_TO_START}; or write a file with --still") from error
    try:
        warp = as_warp(prewarp)
        size = warp.prewarp.projector_resolution
        monitor, notice = projector_monitor(monitors(), size, display, in_memory=in_memory)
        seat = None if pygame.display.get_driver() in MADE_UP_SCREENS else MonitorSeat(monitor)
        if drawing != "cpu":
            window = _gl_window(warp, monitor.number, notice, dither, seat, insist=drawing == "gl")
            if window is not None:
                return window
        pygame.display.set_mode(size, pygame.NOFRAME, display=monitor.number)
        dress_window()
        return Window(CpuRenderer(warp, dither=dither), None, notice, seat)
    except BaseException:
        pygame.display.quit()
        raise


def wait_for_projector(
    size: tuple[int, int],
    display: int | None,
    *,
    on_wait: Callable[[str], None],
    pause: Callable[[float], None] = time.sleep,
) -> None:
    """Return once there is a monitor of the projector's size, under the number asked for if there is one.

    `on_wait` is called with the reason whenever that is another one than before. Every look starts SDL afresh: a
    desktop that comes up later is seen, too.
    """
    said = ""
    while True:
        try:
            found = start_screens()
            try:
                reason = projector_monitor(found, size, display)[1]
            finally:
                pygame.display.quit()
        except DeviceError as error:
            reason = str(error)
        if not reason:
            return
        if reason != said:
            on_wait(reason)
        said = reason
        pause(_WAIT_S)


def projector_monitor(
    found: Sequence[Monitor], size: tuple[int, int], display: int | None, *, in_memory: bool = False
) -> tuple[Monitor, str]:
    """The monitor to play on, and what is wrong with it but no reason to stop, in words.

    Without a number that is the only monitor of the projector's size beside the primary one, as for a scan; else the
    primary one, if it has that size: there may be no other. `in_memory` takes SDL's made-up screens, too.

    Raises
    ------
    DeviceError
        When there is no such display, or several could be the projector.
    """
    listed = ", ".join(str(monitor) for monitor in found)
    driver = pygame.display.get_driver()
    if driver in MADE_UP_SCREENS and not in_memory:
        raise DeviceError(f"no screen here: {HOW_TO_START}; --wait-for-screen waits")
    if display is not None and not 0 <= display < len(found):
        raise DeviceError(f"there is no display {display}; this machine has {listed}. Choose one with --display")
    if driver in MADE_UP_SCREENS:
        return found[display or 0], f"no screen here: drawing into memory (video driver {driver})"
    if display is None:
        fitting = [monitor for monitor in found[1:] if monitor.size == size] or [found[0]]
        if len(fitting) > 1:
            raise DeviceError(
                f"which display is the projector? {len(fitting)} have its {size[0]} x {size[1]} pixels (there are "
                f"{listed}): choose one with --display N"
            )
        monitor = fitting[0]
    else:
        monitor = found[display]
    if monitor.size == size:
        return monitor, ""
    here = f"display {monitor.number} is {monitor.size[0]} x {monitor.size[1]}, the projector {size[0]} x {size[1]}"
    return (
        monitor,
        f"{here}: the picture is not where it belongs until that display runs at the projector's native size",
    )


def _gl_window(
    warp: Warp, display: int, notice: str, dither: bool, seat: MonitorSeat | None, *, insist: bool
) -> Window | None:
    """A window drawn by OpenGL; None when OpenGL is missing or slower than OpenCV and nobody insists."""
    try:
        context = _gl_context(warp.prewarp.projector_resolution, display)
    except Exception as error:  # moderngl raises bare exceptions; SDL its own; or there is no moderngl
        if insist:
            raise gl_missing(error) from error
        return None
    if is_software(context) and not insist:
        context.release()
        pygame.display.quit()  # an OpenGL window cannot become a software one
        pygame.display.init()
        return None
    from rigwarp.live.render.gl import GlRenderer

    dress_window()
    return Window(GlRenderer(warp, context, dither=dither), context.screen, notice, seat)


def _gl_context(size: tuple[int, int], display: int) -> "moderngl.Context":
    """Set an OpenGL mode: 4.3, which has compute shaders, else 3.3, else OpenGL ES 3.1."""
    import moderngl

    for version in (COMPUTE_VERSION, DRAWING_VERSION):
        try:
            _set_gl_mode(size, display, version, pygame.GL_CONTEXT_PROFILE_CORE)
            return moderngl.create_context(require=version)
        except Exception as error:  # moderngl raises bare exceptions, SDL its own: an older OpenGL, or none at all
            reason = error
    try:
        _set_gl_mode(size, display, ES_VERSION, pygame.GL_CONTEXT_PROFILE_ES)
        return moderngl.create_context(require=ES_VERSION)
    except Exception as error:
        raise reason from error


def _set_gl_mode(size: tuple[int, int], display: int, version: int, profile: int) -> None:
    for attribute, value in (
        (pygame.GL_CONTEXT_MAJOR_VERSION, version // 100),
        (pygame.GL_CONTEXT_MINOR_VERSION, version // 10 % 10),
        (pygame.GL_CONTEXT_PROFILE_MASK, profile),
    ):
        pygame.display.gl_set_attribute(attribute, value)
    flags = pygame.OPENGL | pygame.DOUBLEBUF | pygame.NOFRAME
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pygame warns when the driver cannot wait for the display
        try:
            pygame.display.set_mode(size, flags, display=display, vsync=1)
        except pygame.error:  # other drivers refuse the window altogether
            pygame.display.set_mode(size, flags, display=display)


def _key(event: pygame.event.Event) -> Input:
    name = pygame.key.name(event.key).lower()
    held = event.mod if hasattr(event, "mod") else 0
    return Input(
        kind="key",
        key="return" if name == "enter" else name,
        shift=bool(held & pygame.KMOD_SHIFT),
        ctrl=bool(held & pygame.KMOD_CTRL),
    )
