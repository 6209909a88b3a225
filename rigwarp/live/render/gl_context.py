"""OpenGL contexts, and what this machine's OpenGL is worth.

OpenGL ES is what board computers' GPUs offer, and without a window moderngl asks EGL for desktop OpenGL only. So that
context is made by hand, and moderngl is told where its functions are (EGL 1.5 specification, and
EGL_MESA_platform_surfaceless for machines without a display).
"""

import ctypes
import ctypes.util
import sys
from typing import TYPE_CHECKING, Any, Final

from rigwarp.errors import DeviceError

if TYPE_CHECKING:  # there may be none: see `gl_missing`
    import moderngl

SOFTWARE_RENDERERS = ("llvmpipe", "softpipe", "swrast", "gdi generic", "basic render")
"""Parts of GL_RENDERER that tell an OpenGL computed by the CPU; OpenCV is faster there."""
GL_PACKAGES = "on Debian and Ubuntu: apt install libgl1 libegl1 libgl1-mesa-dri"
BUILDING = "apt install gcc g++ python3-dev libgl1 libegl1 libgles2, then: pip install 'rigwarp[gl]'"
COMPUTE_VERSION = 430
DRAWING_VERSION = 330
ES_VERSION: Final = 310
_SURFACELESS, _DEFAULT_DISPLAY = 0x31DD, None
_OPENGL_ES_API, _RENDERABLE, _ES3_BIT, _SURFACE_TYPE, _NONE = 0x30A0, 0x3040, 0x40, 0x3033, 0x3038
_MAJOR, _MINOR = 0x3098, 0x30FB


def standalone_context() -> "moderngl.Context":
    """An OpenGL context without a window: version 4.3 where there is one, else 3.3, else OpenGL ES 3.1.

    Raises
    ------
    DeviceError
        When there is none of these.
    """
    try:
        import moderngl
    except ImportError as error:
        raise gl_missing(error) from error
    windowless: dict[str, Any] = {"backend": "egl"} if sys.platform.startswith("linux") else {}
    for version in (COMPUTE_VERSION, DRAWING_VERSION):
        try:
            return moderngl.create_context(require=version, standalone=True, **windowless)
        except Exception as error:  # moderngl raises bare exceptions, here for an older OpenGL or for none at all
            reason = error
    try:
        return open_es_context()
    except Exception as error:
        raise gl_missing(reason) from error


def gl_missing(error: Exception) -> DeviceError:
    """The error to show when moderngl or the window could not be given OpenGL, or moderngl is not installed."""
    remedy = BUILDING if isinstance(error, ImportError) else GL_PACKAGES  # arm64 has no wheel of moderngl
    reason = " ".join(str(error).split())[:120]
    return DeviceError(f"neither OpenGL 3.3 nor OpenGL ES 3.1 is available ({reason}); {remedy}")


def is_es(context: "moderngl.Context") -> bool:
    """True for OpenGL ES, whose shaders are written a little differently."""
    return "OpenGL ES" in str(context.info["GL_VERSION"])


def version_words(context: "moderngl.Context") -> str:
    """Such as "OpenGL ES 3.1"."""
    version = context.version_code
    return f"OpenGL{' ES' if is_es(context) else ''} {version // 100}.{version // 10 % 10}"


def is_software(context: "moderngl.Context") -> bool:
    """True when this OpenGL runs on the CPU."""
    return any(name in str(context.info["GL_RENDERER"]).lower() for name in SOFTWARE_RENDERERS)


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


def open_es_context() -> "moderngl.Context":
    """A context of OpenGL ES 3.1 or later, without a window.

    Raises
    ------
    Exception
        Of whatever kind EGL's loader and moderngl have, when there is none.
    """
    import moderngl

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
