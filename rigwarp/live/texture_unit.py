"""Whether this GPU's texture unit interpolates exactly enough to take the shader's work.

OpenGL asks little of it. Positions here are multiples of 1/256 pixel, which is what most units resolve, and NVIDIA's
give exactly the weights of our own arithmetic; Mesa's software renderer is up to eight codes off in the darks. So it is
tried out: random light, much of it dark, at random places, against the shader's own arithmetic.
"""

from typing import Literal

import moderngl
import numpy as np

from rigwarp.live import shaders

LIGHT_TOLERANCE, RELATIVE_TOLERANCE = 2e-7, 5e-4
"""Linear light that is a quarter of a code near black, and 0.06 codes near white, both at gamma 2.2."""
_LONG_PX, _SHORT_PX = 4099, 67
"""As many pixels as a 4K picture has in a row, so that the roundings of coordinates show."""


def interpolates_exactly(context: moderngl.Context, dtype: Literal["f2", "f4"]) -> bool:
    """True when bilinear samples of a four-channel texture of this kind are right within the tolerances."""
    program = context.program(vertex_shader=shaders.VERTEX, fragment_shader=shaders.UNIT_ERROR)
    program["tolerance"] = (LIGHT_TOLERANCE, RELATIVE_TOLERANCE)
    call = context.vertex_array(program, [])
    largest = max(_largest_error(context, call, size, dtype) for size in ((_LONG_PX, _SHORT_PX), (_SHORT_PX, _LONG_PX)))
    call.release()
    program.release()
    return largest <= 1.0


def _largest_error(context: moderngl.Context, call: moderngl.VertexArray, size: tuple[int, int], dtype: str) -> float:
    """In tolerances."""
    rng = np.random.default_rng(11)
    light = rng.random((size[1], size[0], 4)) ** 6  # a sixth power: a third of it is below a code or two
    light[rng.random(light.shape) < 0.3] = 0.0
    picture = context.texture(size, 4, light.astype(np.float16 if dtype == "f2" else np.float32).tobytes(), dtype=dtype)
    target = context.framebuffer([context.texture(size, 1, dtype="f4")])
    context.disable(moderngl.BLEND | moderngl.DEPTH_TEST | moderngl.CULL_FACE)
    picture.use(0)
    target.use()
    context.viewport = (0, 0, *size)
    call.render(moderngl.TRIANGLES, vertices=3)
    errors = np.frombuffer(target.read(components=1, dtype="f4"), np.float32)
    for item in (target, *target.color_attachments, picture):
        item.release()
    return float(errors.max()) if np.isfinite(errors).all() else np.inf
