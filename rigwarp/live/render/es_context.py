"""OpenGL ES without a window, through EGL: what board computers' GPUs offer.

moderngl asks EGL for desktop OpenGL only. Here the context is made by hand, and moderngl is told where its functions
are. EGL 1.5 specification, and EGL_MESA_platform_surfaceless for machines without a display.
"""

import ctypes
import ctypes.util
from typing import Any, Final

import moderngl

ES_VERSION: Final = 310
_SURFACELESS, _DEFAULT_DISPLAY = 0x31DD, None
_OPENGL_ES_API, _RENDERABLE, _ES3_BIT, _SURFACE_TYPE, _NONE = 0x30A0, 0x3040, 0x40, 0x3033, 0x3038
_MAJOR, _MINOR = 0x3098, 0x30FB


class EsContext:
    """An EGL context that is current on this thread, as moderngl wants contexts to be."""

    def __init__(self) -> None:
        self._egl = _library()
        self._display, self._context = self._made()

    def load(self, name: str) -> int:
        """Address of an OpenGL function."""
        return self._egl.eglGetProcAddress(name.encode()) or 0

    load_opengl_function = load

    def release(self) -> None:
        """Destroy it; calling it twice is fine."""
        if self._context:
            self._egl.eglMakeCurrent(self._display, None, None, None)
            self._egl.eglDestroyContext(self._display, self._context)
            self._context = None

    def __enter__(self) -> "EsContext":
        self._egl.eglMakeCurrent(self._display, None, None, self._context)
        return self

    def __exit__(self, *_: object) -> None:
        """It stays current: there is one context and one thread."""

    def _made(self) -> tuple[int, int | None]:
        platform_display = ctypes.CFUNCTYPE(ctypes.c_void_p, ctypes.c_uint, ctypes.c_void_p, ctypes.c_void_p)
        address = self._egl.eglGetProcAddress(b"eglGetPlatformDisplayEXT")
        found = [platform_display(address)(_SURFACELESS, None, None)] if address else []
        for display in (*found, self._egl.eglGetDisplay(_DEFAULT_DISPLAY)):
            if display and self._egl.eglInitialize(display, None, None):
                context = self._context_on(display)
                if context:
                    return display, context
        raise OSError("EGL has no OpenGL ES 3.1")

    def _context_on(self, display: int) -> int | None:
        egl, config, count = self._egl, ctypes.c_void_p(), ctypes.c_int()
        wanted = (ctypes.c_int * 5)(_RENDERABLE, _ES3_BIT, _SURFACE_TYPE, 0, _NONE)
        version = (ctypes.c_int * 5)(_MAJOR, 3, _MINOR, 1, _NONE)
        egl.eglBindAPI(_OPENGL_ES_API)
        if not egl.eglChooseConfig(display, wanted, ctypes.byref(config), 1, ctypes.byref(count)) or not count.value:
            return None
        context: int | None = egl.eglCreateContext(display, config, None, version)
        return context if context and egl.eglMakeCurrent(display, None, None, context) else None


def open_es_context() -> moderngl.Context:
    """A context of OpenGL ES 3.1 or later, without a window.

    Raises
    ------
    Exception
        Of whatever kind EGL's loader and moderngl have, when there is none.
    """
    own: Any = EsContext()  # which the stubs do not know
    return moderngl.create_context(context=own, require=ES_VERSION)


def _library() -> Any:
    egl = ctypes.CDLL(ctypes.util.find_library("EGL") or "libEGL.so.1")
    pointer = ctypes.c_void_p
    for name, arguments in (
        ("eglGetProcAddress", [ctypes.c_char_p]),
        ("eglGetDisplay", [pointer]),
        ("eglCreateContext", [pointer, pointer, pointer, pointer]),
    ):
        function = getattr(egl, name)
        function.restype, function.argtypes = pointer, arguments
    for name, count in (("eglInitialize", 3), ("eglMakeCurrent", 4), ("eglDestroyContext", 2)):
        getattr(egl, name).argtypes = [pointer] * count
    egl.eglChooseConfig.argtypes = [pointer, pointer, pointer, ctypes.c_int, pointer]
    return egl
