"""OpenGL contexts, and what this machine's OpenGL is worth."""

import sys
from typing import TYPE_CHECKING, Any

from rigwarp.errors import DeviceError

if TYPE_CHECKING:  # there may be none: see `gl_missing`
    import moderngl

SOFTWARE_RENDERERS = ("llvmpipe", "softpipe", "swrast", "gdi generic", "basic render")
"""Parts of GL_RENDERER that tell an OpenGL computed by the CPU; OpenCV is faster there."""
GL_PACKAGES = "on Debian and Ubuntu: apt install libgl1 libegl1 libgl1-mesa-dri"
BUILDING = "apt install gcc g++ python3-dev libgl1 libegl1 libgles2, then: pip install 'rigwarp[gl]'"
COMPUTE_VERSION = 430
DRAWING_VERSION = 330


def standalone_context() -> "moderngl.Context":
    """An OpenGL context without a window: version 4.3 where there is one, else 3.3, else OpenGL ES 3.1.

    Raises
    ------
    DeviceError
        When there is none of these.
    """
    try:
        import moderngl

        from rigwarp.live.render.es_context import open_es_context
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
