"""Several exposures of one set: each fixed while its turn lasts."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Final

from rigwarp.devices import Camera
from rigwarp.errors import DeviceError

STEP: Final = 4.0
"""Two stops from one exposure to the next: the useful ranges of neighbours, about 1 : 20 each, still overlap well."""
_LEAST_STEP = 1.5  # of what the camera makes of it: less is hardly another exposure


def bracket_s(camera: Camera, count: int) -> tuple[float | None, ...]:
    """Exposure times, seconds, of a number of turns: the present one, four times as long, a quarter, and so on.

    Raises
    ------
    DeviceError
        If there are to be several and the camera cannot be told.
    """
    now_s = camera.exposure_s
    if count == 1:
        return (now_s,)
    if now_s is None:
        raise DeviceError(
            "the camera's exposure cannot be set by its driver, so there can be no --exposures: leave it out, or "
            "set each exposure at the camera and go by way of --export and --import"
        )
    powers = [(turn + 1) // 2 * (1 if turn % 2 else -1) for turn in range(count)]
    return tuple(now_s * STEP**power for power in powers)


def expose(camera: Camera, turns_s: Sequence[float | None], turn: int) -> None:
    """Set the exposure of a turn; nothing when it is unknown.

    Raises
    ------
    DeviceError
        If the camera refuses, or takes one that is too near to that of another turn.
    """
    wanted_s = turns_s[turn]
    if wanted_s is None:
        return
    got_s = camera.set_exposure(wanted_s)
    if got_s is None or not 1 / _LEAST_STEP < got_s / wanted_s < _LEAST_STEP:
        taken = "refuses" if got_s is None else f"takes {got_s:.4g} s instead of"
        raise DeviceError(
            f"the camera {taken} an exposure of {wanted_s:.4g} s: use fewer --exposures, or more or less light"
        )


@contextmanager
def exposure_kept(camera: Camera) -> Iterator[None]:
    """Puts the exposure back at the end."""
    before_s = camera.exposure_s
    try:
        yield
    finally:
        if before_s is not None and camera.exposure_s != before_s:
            camera.set_exposure(before_s)
