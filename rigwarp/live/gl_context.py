"""OpenGL contexts, and what this machine's OpenGL is worth."""

import sys
from typing import Any

import moderngl
import numpy as np

from rigwarp.errors import DeviceError

SOFTWARE_RENDERERS = ("llvmpipe", "softpipe", "swrast", "gdi generic", "basic render")
"""Parts of GL_RENDERER that tell an OpenGL computed by the CPU; OpenCV is faster there."""
GL_PACKAGES = "on Debian and Ubuntu: apt install libgl1 libegl1 libgl1-mesa-dri"
COMPUTE_VERSION = 430
_LEAST_VERSION = 330
NUDGE = 1.0 / 1024.0
"""A quarter of the texture unit's smallest step: see `shaders.nudge`."""
_PROBE_WIDTH = 1024
_PROBE = """#version 330 core
uniform sampler2D picture;
uniform float nudge;
out vec4 colour;
void main() {
    // weight k / 256 between texel k / 4 and the next
    float at = gl_FragCoord.x - 0.5;
    vec2 spot = vec2(floor(at * 0.25) + mod(at * 37.0, 256.0) / 256.0, 0.0);
    colour = textureLod(picture, (spot + vec2(0.5 + nudge, 0.5)) / vec2(textureSize(picture, 0)), 0.0);
}
"""


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


def weighs_in_256ths(context: moderngl.Context, vertex_shader: str) -> bool:
    """True when the texture unit's bilinear weights are exact multiples of 1/256, so that the warp may rely on them.

    Measured, because the standard does not promise it: a row of black and white texels is sampled between its texels.
    """
    row = np.zeros((1, _PROBE_WIDTH // 4 + 1, 4), np.float16)
    row[0, ::2] = 1.0
    picture = context.texture((row.shape[1], 1), 4, row.tobytes(), dtype="f2")
    picture.filter = (moderngl.LINEAR, moderngl.LINEAR)
    target = context.texture((_PROBE_WIDTH, 1), 4, dtype="f4")
    frame = context.framebuffer([target])
    program = context.program(vertex_shader=vertex_shader, fragment_shader=_PROBE)
    program["picture"], program["nudge"] = 0, NUDGE
    call = context.vertex_array(program, [])
    context.clear_samplers(0, 1)
    frame.use()
    picture.use(0)
    call.render(moderngl.TRIANGLES, vertices=3)
    found = np.frombuffer(target.read(), np.float32).reshape(-1, 4)[:, 0]
    for item in (call, program, frame, target, picture):
        item.release()
    at = np.arange(_PROBE_WIDTH)
    left = row[0, at // 4, 0].astype(np.float64)
    right = row[0, at // 4 + 1, 0].astype(np.float64)
    return bool(np.abs(found - (left + (right - left) * (at * 37 % 256) / 256.0)).max() < 1e-6)
