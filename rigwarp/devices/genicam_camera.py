"""Machine-vision cameras over GigE Vision and USB3 Vision, by the Aravis library, if it is installed.

The library is called as it is (libaravis-0.8, a C interface with GObject's conventions: whatever can fail has a GError
as its last argument), so that nothing has to be built for this Python. Its reference: aravisproject.github.io/aravis.
"""

import ctypes
import ctypes.util
from contextlib import ExitStack
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rigwarp.devices.newest_frame import NewestFrames
from rigwarp.devices.open_camera import GENICAM
from rigwarp.devices.picture_size import require_size
from rigwarp.devices.pixel_formats import PixelFormat, best_format
from rigwarp.devices.video_camera import FRAME_TIMEOUT_S, FramesCamera
from rigwarp.errors import DeviceError

INSTALL: Final = "on Debian and Ubuntu: apt install libaravis-0.8-0"
_BUFFERS = 4
_SUCCESS = 0
_OFF = 0  # ARV_AUTO_OFF
_FAKE = "Fake"


class _Error(ctypes.Structure):
    """GError of glib/gerror.h."""

    _fields_ = (("domain", ctypes.c_uint32), ("code", ctypes.c_int), ("message", ctypes.c_char_p))


class _Library:
    """The calls that are used; a GError becomes a DeviceError."""

    def __init__(self) -> None:
        try:
            self.arv = ctypes.CDLL(ctypes.util.find_library("aravis-0.8") or "libaravis-0.8.so.0")
            self._gobject = ctypes.CDLL(ctypes.util.find_library("gobject-2.0") or "libgobject-2.0.so.0")
        except OSError:
            raise DeviceError(f"machine-vision cameras need the Aravis library: {INSTALL}") from None
        self._gobject.g_object_unref.argtypes = [ctypes.c_void_p]

    def call(self, name: str, *arguments: Any, gives: Any = ctypes.c_int) -> Any:
        """Call a function that cannot fail."""
        function = getattr(self.arv, name)
        function.restype = gives
        return function(*arguments)

    def ask(self, name: str, *arguments: Any, gives: Any = ctypes.c_int) -> Any:
        """Call a function that ends with a GError.

        Raises
        ------
        DeviceError
            With the library's own words.
        """
        error = ctypes.POINTER(_Error)()
        found = self.call(name, *arguments, ctypes.byref(error), gives=gives)
        if error:
            raise DeviceError(f"the camera refuses {name.removeprefix('arv_camera_')}: {_text(error.contents.message)}")
        return found

    def release(self, thing: ctypes.c_void_p) -> None:
        """Give an object back."""
        self._gobject.g_object_unref(thing)


class _Source:
    """The opened camera as what `NewestFrames` takes pictures from."""

    def __init__(self, library: _Library, camera: ctypes.c_void_p, form: PixelFormat) -> None:
        self._library, self._camera, self._format = library, camera, form
        self._buffer: ctypes.c_void_p | None = None
        made = library.ask("arv_camera_create_stream", camera, None, None, gives=ctypes.c_void_p)
        self._stream = ctypes.c_void_p(made)
        size = ctypes.c_size_t(library.ask("arv_camera_get_payload", camera, gives=ctypes.c_uint))
        for _ in range(_BUFFERS):
            buffer = ctypes.c_void_p(library.call("arv_buffer_new_allocate", size, gives=ctypes.c_void_p))
            library.call("arv_stream_push_buffer", self._stream, buffer)
        library.ask("arv_camera_start_acquisition", camera)

    def grab(self) -> bool:
        """Wait for the next picture."""
        wait_us = ctypes.c_uint64(int(1e6 * FRAME_TIMEOUT_S))
        got = self._library.call("arv_stream_timeout_pop_buffer", self._stream, wait_us, gives=ctypes.c_void_p)
        self._buffer = ctypes.c_void_p(got) if got else None
        return self._buffer is not None

    def retrieve(self) -> tuple[bool, NDArray[Any] | None]:
        """The picture, of 8 or 16 bits a sample; False where packets of it were lost."""
        buffer, library = self._buffer, self._library
        whole = library.call("arv_buffer_get_status", buffer) == _SUCCESS
        picture = self._picture() if whole else None
        library.call("arv_stream_push_buffer", self._stream, buffer)
        return whole, picture

    def release(self) -> None:
        """Stop the camera and give it back."""
        self._library.call("arv_camera_stop_acquisition", self._camera, None)
        self._library.release(self._stream)
        self._library.release(self._camera)

    def _picture(self) -> NDArray[Any]:
        library, buffer, count = self._library, self._buffer, ctypes.c_size_t()
        data = library.call("arv_buffer_get_data", buffer, ctypes.byref(count), gives=ctypes.POINTER(ctypes.c_uint8))
        width, height = (int(library.call(f"arv_buffer_get_image_{side}", buffer)) for side in ("width", "height"))
        return self._format.photo(np.ctypeslib.as_array(data, (count.value,)).copy(), (width, height))


class GenicamCamera(FramesCamera):
    """A machine-vision camera. Open it with `open_genicam_camera`."""

    def __init__(
        self, library: _Library, camera: ctypes.c_void_p, name: str, size: tuple[int, int], form: PixelFormat
    ) -> None:
        self._library, self._camera, self.name = library, camera, name
        unlocked = _locked(library, camera)
        frames = NewestFrames(_Source(library, camera, form), name, timeout_s=FRAME_TIMEOUT_S)
        super().__init__(frames, size, unlocked=unlocked, bits=form.bits)

    @property
    def exposure_s(self) -> float | None:
        """The exposure time that the camera says it has, seconds."""
        try:
            return 1e-6 * float(self._library.ask("arv_camera_get_exposure_time", self._camera, gives=ctypes.c_double))
        except DeviceError:
            return None

    def set_exposure(self, seconds: float) -> float | None:
        """Set the exposure time; returns the one that the camera has taken, None when it refuses."""
        try:
            self._library.ask("arv_camera_set_exposure_time", self._camera, ctypes.c_double(1e6 * seconds))
        except DeviceError:
            return None
        return self.exposure_s


def open_genicam_camera(device: str, resolution: tuple[int, int]) -> GenicamCamera:
    """Open "genicam:" (the first one that is found) or "genicam:ID", grey, with as many bits as it has.

    Raises
    ------
    DeviceError
        If Aravis is missing, there is no such camera, it has no pictures that can be read, or another resolution.
    """
    library = _Library()
    wanted = device.strip()[len(GENICAM) :].strip()
    found = cameras(library, simulated=wanted.startswith(_FAKE))
    chosen = wanted or next(iter(found), "")
    if chosen not in found:
        which = f"there is no machine-vision camera {wanted!r}" if wanted else "no machine-vision camera answers"
        listed = f"enter another in rig.toml (camera.device): {', '.join(f'{GENICAM}{one}' for one in found)}"
        how = "check that it is switched on, its cable and network, and that no other program uses it"
        raise DeviceError(f"{which}: {how}{f'; or {listed}' if found else ''}")
    camera = ctypes.c_void_p(library.ask("arv_camera_new", chosen.encode(), gives=ctypes.c_void_p))
    name = f"camera {GENICAM}{chosen}"
    with ExitStack() as given_back:
        given_back.callback(library.release, camera)
        form = _greyest(library, camera, name)
        require_size(name, _fitted(library, camera, resolution), resolution)
        opened = GenicamCamera(library, camera, name, resolution, form)
        given_back.pop_all()
        return opened


def cameras(library: _Library, *, simulated: bool = False) -> list[str]:
    """The ids of all that are connected; Aravis' own simulated one only where it is asked for."""
    if simulated:
        library.call("arv_enable_interface", _FAKE.encode())
    library.call("arv_update_device_list")
    count = library.call("arv_get_n_devices", gives=ctypes.c_uint)
    return [_text(library.call("arv_get_device_id", ctypes.c_uint(n), gives=ctypes.c_char_p)) for n in range(count)]


def _greyest(library: _Library, camera: ctypes.c_void_p, name: str) -> PixelFormat:
    """Set the format that tells most about grey light."""
    count = ctypes.c_uint()
    kinds = ctypes.POINTER(ctypes.c_char_p)
    ask = "arv_camera_dup_available_pixel_formats_as_strings"
    listed = library.ask(ask, camera, ctypes.byref(count), gives=kinds)
    there = [_text(listed[number]) for number in range(count.value)]
    form = best_format(there)
    if form is None:
        raise DeviceError(
            f"{name} has {', '.join(there)}, none of which can be read: use its driver, or another camera"
        )
    library.ask("arv_camera_set_pixel_format_from_string", camera, form.name.encode())
    return form


def _fitted(library: _Library, camera: ctypes.c_void_p, resolution: tuple[int, int]) -> tuple[int, int]:
    """Ask for all of the sensor if that is what rig.toml says, else for its middle; returns what the camera took.

    A corner of even numbers leaves a mosaic's colours where they are.
    """
    whole = [ctypes.c_int(), ctypes.c_int()]
    library.ask("arv_camera_get_sensor_size", camera, *(ctypes.byref(side) for side in whole))
    corner = [max(0, (side.value - wanted) // 4 * 2) for side, wanted in zip(whole, resolution, strict=True)]
    sides = [min(side.value, wanted) for side, wanted in zip(whole, resolution, strict=True)]
    library.ask("arv_camera_set_region", camera, *map(ctypes.c_int, (*corner, *sides)))
    region = [ctypes.c_int() for _ in range(4)]
    library.ask("arv_camera_get_region", camera, *(ctypes.byref(side) for side in region))
    return region[2].value, region[3].value


def _locked(library: _Library, camera: ctypes.c_void_p) -> tuple[str, ...]:
    """Switch off what is automatic; returns what refuses. A grey camera has no white balance, nor a focus motor."""
    refused = []
    for name, control in (("exposure", "exposure_time"), ("gain", "gain")):
        try:
            if library.ask(f"arv_camera_is_{name}_auto_available", camera):
                library.ask(f"arv_camera_set_{control}_auto", camera, ctypes.c_int(_OFF))
        except DeviceError:
            refused.append(name)
    return tuple(refused)


def _text(words: bytes | None) -> str:
    return (words or b"").decode("utf-8", "replace")
