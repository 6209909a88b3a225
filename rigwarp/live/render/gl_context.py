"""OpenGL contexts, and what this machine's OpenGL is worth."""

import sys
from typing import Any

import moderngl

from rigwarp.errors import DeviceError

SOFTWARE_RENDERERS = ("llvmpipe", "softpipe", "swrast", "gdi generic", "basic render")
"""Parts of GL_RENDERER that tell an OpenGL computed by the CPU; OpenCV is faster there."""
GL_PACKAGES = "on Debian and Ubuntu: apt install libgl1 libegl1 libgl1-mesa-dri"
COMPUTE_VERSION = 430
_LEAST_VERSION = 330


def standalone_context() -> moderngl.Context:
    """An OpenGL context without a window, of version 4.3 where there is one, else 3.3.

    Raises
    ------
    DeviceError
        When there is no OpenGL 3.3.
    """
    windowless: dict[str, Any] = {"backend": "egl"} if sys.platform.startswith("linux") else {}
    try:
        return moderngl.create_context(require=COMPUTE_VERSION, standalone=True, **windowless)
    except Exception:  # moderngl raises bare exceptions, here for an older OpenGL or for none at all
        try:
            return moderngl.create_context(require=_LEAST_VERSION, standalone=True, **windowless)
        except Exception as error:
            raise gl_missing(error) from error


def gl_missing(error: Exception) -> DeviceError:
    """The error to show when moderngl or the window could not be given OpenGL."""
    return DeviceError(f"OpenGL 3.3 is not available ({' '.join(str(error).split())[:120]}); {GL_PACKAGES}")


def is_software(context: moderngl.Context) -> bool:
    """True when this OpenGL runs on the CPU."""
    return any(name in str(context.info["GL_RENDERER"]).lower() for name in SOFTWARE_RENDERERS)
