"""The projector as a monitor: a borderless window over all of it, drawn pixel by pixel."""

from collections.abc import Sequence

import numpy as np

from rigwarp.devices.protocols import Frame
from rigwarp.devices.quick_pygame import pygame
from rigwarp.devices.video_output import Monitor, dress_window, monitors, start_screens, window_position
from rigwarp.devices.x_outputs import XOutputs
from rigwarp.errors import DeviceError

_HOW_TO_SET = (
    "set the desktop to extend onto the projector (no mirroring), at the projector's native resolution and a scale of "
    "100 %"
)


class MonitorSeat:
    """A monitor that a window was opened on, and whether it is still there. Close it at the end."""

    def __init__(self, monitor: Monitor) -> None:
        self._monitor = monitor
        self._outputs = XOutputs.connect() if pygame.display.get_driver() == "x11" else None

    def is_there(self) -> bool:
        """False when the monitor is gone, switched off, or runs at another size."""
        here = self._monitor
        known = any((m.size, m.position) == (here.size, here.position) for m in monitors())
        lit = self._outputs.lit() if self._outputs is not None else None
        return known and (lit is None or here.position is None or (*here.position, *here.size) in lit)

    def close(self) -> None:
        """Calling it twice is fine."""
        if self._outputs is not None:
            self._outputs.close()


class WindowDisplay:
    """Shows pictures on a monitor. Open it with `open_window_display`."""

    def __init__(self, monitor: Monitor) -> None:
        self._monitor = monitor
        self._seat = MonitorSeat(monitor)
        self._open = True
        self.resolution = monitor.size

    def show(self, frame: Frame) -> None:
        """Show a (H, W) grey or (H, W, 3) RGB picture; returns after the flip.

        Raises
        ------
        DeviceError
            If the monitor is gone or has changed, or the picture has another size.
        KeyboardInterrupt
            If somebody pressed Escape or closed the window: what flashes can be stopped where it is seen.
        """
        width, height = self.resolution
        if frame.dtype != np.uint8 or frame.shape[:2] != (height, width) or frame.shape[2:] not in ((), (3,)):
            raise DeviceError(
                f"display {self._monitor.number}: got a picture of shape {frame.shape} and type {frame.dtype}, "
                f"expected {(height, width)} or {(height, width, 3)} and uint8. Make it at the native size."
            )
        for event in pygame.event.get():  # desktops take a window that ignores its events for dead
            if event.type == pygame.QUIT or (event.type == pygame.KEYDOWN and event.key == pygame.K_ESCAPE):
                raise KeyboardInterrupt
        if not self._seat.is_there():
            raise DeviceError(
                f"display {self._monitor} is gone or has changed: plug the projector in again, {_HOW_TO_SET}, and go on"
            )
        require_covered(self._monitor, pygame.display.get_window_size(), window_position())
        rgb = np.repeat(frame[..., None], 3, axis=2) if frame.ndim == 2 else np.ascontiguousarray(frame)
        surface = pygame.image.frombuffer(rgb.tobytes(), (width, height), "RGB")
        pygame.display.get_surface().blit(surface, (0, 0))
        pygame.display.flip()

    def close(self) -> None:
        """Take the window away; calling it twice is fine."""
        if not self._open:
            return
        self._open = False
        self._seat.close()
        pygame.display.quit()


def open_window_display(size: tuple[int, int], *, display: int | None = None) -> WindowDisplay:
    """Open a black window on the projector.

    Parameters
    ----------
    size : the projector's native (width, height).
    display : number of the monitor; None: the only one of that size beside the primary one.

    Raises
    ------
    DeviceError
        If there is no screen, no such monitor, or it does not run at the native size.
    """
    found = start_screens()
    try:
        monitor = choose_monitor(found, size, display)
        pygame.display.set_mode(size, pygame.NOFRAME, display=monitor.number)
        dress_window()
        opened = WindowDisplay(monitor)
        opened.show(np.zeros((size[1], size[0]), np.uint8))
    except pygame.error as error:
        pygame.display.quit()
        raise DeviceError(f"no window can be opened on display {display} ({error})") from None
    except BaseException:
        pygame.display.quit()
        raise
    return opened


def choose_monitor(found: Sequence[Monitor], size: tuple[int, int], display: int | None) -> Monitor:
    """The monitor that is the projector.

    Raises
    ------
    DeviceError
        If it cannot be told, has another size, or shows the same as another monitor.
    """
    listed = ", ".join(str(m) for m in found)
    wanted = f"{size[0]} x {size[1]}"
    if display is None:
        fitting = [m for m in found[1:] if m.size == size]
        if len(fitting) != 1:
            raise DeviceError(
                f"which monitor is the projector? rig.toml says it has {wanted} pixels, and of the monitors beside the "
                f"primary one {len(fitting) or 'none'} of that size can be seen (there are {listed}): choose one with "
                f"--display N, or {_HOW_TO_SET}"
            )
        monitor = fitting[0]
    elif 0 <= display < len(found):
        monitor = found[display]
    else:
        raise DeviceError(f"there is no display {display}; there are {listed}: choose one of these with --display N")
    if monitor.size != size:
        raise DeviceError(
            f"display {monitor} does not have the {wanted} pixels of projector.resolution in rig.toml, so pixels "
            f"would not be shown one to one: {_HOW_TO_SET}, or correct rig.toml"
        )
    twins = [m for m in found if m is not monitor and m.position is not None and m.position == monitor.position]
    if twins:
        raise DeviceError(f"display {monitor} shows the same as display {twins[0]}: {_HOW_TO_SET}")
    return monitor


def require_covered(monitor: Monitor, size: tuple[int, int], position: tuple[int, int] | None) -> None:
    """Refuse a window that does not cover the monitor exactly.

    Raises
    ------
    DeviceError
        Its size or position is another.
    """
    moved = position is not None and monitor.position is not None and position != monitor.position
    if size != monitor.size or moved:
        place = f" at ({position[0]}, {position[1]})" if position else ""
        raise DeviceError(
            f"the desktop made the window {size[0]} x {size[1]}{place} instead of covering display {monitor}: let "
            f"windows without a frame keep their place, {_HOW_TO_SET}"
        )
