"""A GigE Vision camera on loopback: Aravis' own, in a process of its own, which sees what it is sent with 12 bits.

    python gige_camera.py SERIAL

takes pictures of light (float32, shares of a pixel's well) from its standard input, of the size that its user has asked
for, makes photographs with noise of them, and says the exposure time in microseconds whenever that has changed.
"""

import contextlib
import ctypes
import ctypes.util
import os
import subprocess
import sys
import tempfile
import threading

import numpy as np

_WELL, _READ = 12000.0, 5.0  # electrons
_ADDRESS = b"127.0.0.1"
_TO_MONO12 = {b'Name="Mono16"': b'Name="Mono12"', b"17825799": b"17825797"}  # GigE Vision's numbers of these formats
_FILL = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.c_void_p, ctypes.c_uint32, ctypes.c_uint32, ctypes.c_uint32)


class GigeCamera:
    """Photographs its light 25 times a second; close it at the end.

    Parameters
    ----------
    light : of each pixel (height, width), share of its well, given the exposure time in seconds that its user has set.

    Attributes
    ----------
    device : for rig.toml.
    """

    def __init__(self, light):
        serial = f"GV{os.getpid()}"
        self.device = f"genicam:Aravis-Fake-{serial}"
        self._light, self._exposure_s, self._sending = light, None, threading.Lock()
        self._process = subprocess.Popen(
            [sys.executable, "-I", __file__, serial], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        said = self._process.stdout.readline()
        self._thread = threading.Thread(target=self._follow_exposure, daemon=True)
        self._thread.start()
        if said != b"ready\n":
            self.close()
            raise RuntimeError("there is no GigE Vision camera on loopback: another one has its port")

    def renew(self):
        """What it sees has changed."""
        with self._sending:
            if self._exposure_s is not None:
                data = np.clip(self._light(self._exposure_s), 0, 1).astype("<f4").tobytes()
                self._process.stdin.write(len(data).to_bytes(4, "little") + data)
                self._process.stdin.flush()

    def close(self):
        self._process.kill()
        self._process.wait(10)
        self._thread.join(10)
        self._process.stdout.close()
        with contextlib.suppress(OSError):  # what was not sent any more
            self._process.stdin.close()

    def _follow_exposure(self):
        with contextlib.suppress(OSError, ValueError):  # it has been closed
            for line in self._process.stdout:
                self._exposure_s = 1e-6 * int(line)
                self.renew()


def _serve(serial):
    arv = ctypes.CDLL(ctypes.util.find_library("aravis-0.8") or "libaravis-0.8.so.0")
    for name in ("arv_fake_camera_new", "arv_gv_fake_camera_new_full", "arv_gv_fake_camera_get_fake_camera"):
        getattr(arv, name).restype = ctypes.c_void_p
    arv.arv_fake_camera_get_genicam_xml.restype = arv.arv_buffer_get_data.restype = ctypes.c_void_p
    arv.arv_fake_camera_get_payload.restype = ctypes.c_size_t
    with tempfile.NamedTemporaryFile(suffix=".xml") as features:
        count = ctypes.c_size_t()
        usual = arv.arv_fake_camera_get_genicam_xml(
            ctypes.c_void_p(arv.arv_fake_camera_new(serial)), ctypes.byref(count)
        )
        text = ctypes.string_at(usual, count.value)
        for before, after in _TO_MONO12.items():
            assert text.count(before) == 1
            text = text.replace(before, after)
        features.write(text)
        features.flush()
        camera = ctypes.c_void_p(arv.arv_gv_fake_camera_new_full(_ADDRESS, serial, features.name.encode()))
    fake = ctypes.c_void_p(arv.arv_gv_fake_camera_get_fake_camera(camera))
    newest, exposure_us, random = np.zeros(0, np.float32), 0, np.random.default_rng(1)

    @_FILL
    def fill(buffer, _, asked_us, *__):
        nonlocal exposure_us
        to = arv.arv_buffer_get_data(ctypes.c_void_p(buffer), ctypes.byref(ctypes.c_size_t()))
        electrons = _WELL * newest + np.sqrt(_WELL * newest + _READ**2) * random.standard_normal(newest.size)
        codes = np.clip(np.rint(4095 / _WELL * electrons), 0, 4095).astype("<u2").tobytes()
        ctypes.memmove(to, codes, min(len(codes), arv.arv_fake_camera_get_payload(fake)))
        if asked_us != exposure_us:
            exposure_us = asked_us
            sys.stdout.write(f"{asked_us}\n")
            sys.stdout.flush()

    arv.arv_fake_camera_set_fill_pattern(fake, fill, None)
    sys.stdout.write("ready\n" if arv.arv_gv_fake_camera_is_running(camera) else "refused\n")
    sys.stdout.flush()
    while len(head := sys.stdin.buffer.read(4)) == 4:
        newest = np.frombuffer(sys.stdin.buffer.read(int.from_bytes(head, "little")), "<f4")


if __name__ == "__main__":
    _serve(sys.argv[1].encode())
