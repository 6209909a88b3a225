"""Every exception that rigwarp raises on purpose, and the exit code that goes with it.

    RigwarpError                    1  something unexpected that we can still explain
    +-- UsageError                  2  the command line makes no sense
    +-- InputError                  3  a file or value given by the user is wrong
    +-- DeviceError                 4  a display, camera or GPU is missing or misbehaves
    |   +-- CameraAwayError         4  the drift watch's camera is not there, or has stopped
    |   +-- DisplayTakenBack        4  the player's window, lent to a measurement, is needed for content again
    +-- MeasurementError            5  the photographs do not support a result
    +-- ToleranceError              6  the measurement is fine, the rig is not

A message says what was found, what was expected, where, and what to do next.
"""

from typing import ClassVar

EXIT_OK = 0
EXIT_INTERRUPTED = 130


class RigwarpError(Exception):
    """Base of all rigwarp exceptions; only the command line turns them into text."""

    exit_code: ClassVar[int] = 1


class UsageError(RigwarpError):
    """The command was called in a way that makes no sense."""

    exit_code = 2


class InputError(RigwarpError):
    """A file or a value given by the user is missing or wrong."""

    exit_code = 3


class DeviceError(RigwarpError):
    """A display, a camera or the GPU is missing or misbehaves."""

    exit_code = 4


class CameraAwayError(DeviceError):
    """The drift watch's camera is not there, or has stopped delivering pictures."""


class DisplayTakenBack(DeviceError):
    """The player's window was lent to a measurement and is needed for the content again."""


class MeasurementError(RigwarpError):
    """The photographs do not support a trustworthy result."""

    exit_code = 5


class ToleranceError(RigwarpError):
    """The result is trustworthy and out of the rig's own tolerance."""

    exit_code = 6
