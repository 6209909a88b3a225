"""How finely a GPU's texture unit weights the four texels around a place: measured, since OpenGL asks for nothing.

Weights of eight bits along either axis are as good as a place that is half a 256th of a pixel off, which is little
beside what the mesh may stray. Units that round the four products to eight bits as well are not: near a white texel
among black ones 1/512 of white is 15 codes at gamma 2.2, and no place close by shows that. In the middle of a row there
are no products, so two samples and a sum in the shader are exact there (NVIDIA's: the product along both axes is
rounded to a whole 256th, and the sums over rows and columns stay what they were).
"""

from typing import Any

import moderngl
import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array
from rigwarp.live.render.gl_programs import GLSL_FRAGMENT, SRGB8_ALPHA8, UNITS, Sampled, drawing_program, switches
from rigwarp.live.render.shaders import TEXEL_AT

PLACES = 256
"""Along either axis, between the middles of two texels."""
REACH_PX = 1.0 / 256.0
"""What the promised 0.05 px leave to the texture unit along either axis, beside the mesh's 1/32 (`mesh_tiles`)."""
_EXPONENT = 2.2
_MOST_CODES = 1.0
_SIDE, _FIRST = 7, 3
"""Of the texture that is looked at, and the first texel between whose middles it is; a side that is no power of two, so
that places are rounded as those in pictures are."""
_AROUND = np.full((_SIDE, _SIDE, 4), 255, np.uint8)
_AROUND[_FIRST : _FIRST + 2, _FIRST : _FIRST + 2] = 0
"""White texels, none of which has any weight."""
_FOUR = np.zeros_like(_AROUND)
_FOUR[_FIRST : _FIRST + 2, _FIRST : _FIRST + 2] = 255 * np.eye(4).reshape(2, 2, 4)
"""Each of four texels is white in a channel of its own, so that channels hold weights."""
_WEIGHTS = (
    GLSL_FRAGMENT
    + "uniform sampler2D picture;\n"
    + TEXEL_AT
    + f"""
out vec4 colour;
void main() {{
    vec4 weights = texel_at(({_FIRST + 0.5} + gl_FragCoord.xy / {PLACES}.0) / {_SIDE}.0);
    colour = pow(max(weights, vec4(1e-12)), vec4(1.0 / {_EXPONENT}));
}}
"""
)


def sampled_finely(context: moderngl.Context) -> Sampled:
    """The quickest way whose weights are what the mesh needs; "fetched" also where that cannot be tried."""
    quickest: tuple[Sampled, ...] = ("unit", "rows")
    try:
        return next((sampled for sampled in quickest if _most_codes_beyond(context, sampled) <= _MOST_CODES), "fetched")
    except moderngl.Error:
        return "fetched"


def _most_codes_beyond(context: moderngl.Context, sampled: Sampled) -> float:
    weights = weight_codes_beyond(_codes(context, sampled, _FOUR))
    return float(max(weights.max(), _codes(context, sampled, _AROUND).max()))


def _codes(context: moderngl.Context, sampled: Sampled, texels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """(PLACES, PLACES, 4) what is seen along v and u between the middles of those four texels."""
    made: list[Any] = []
    try:
        made.append(texture := context.texture((_SIDE, _SIDE), 4, texels.tobytes(), internal_format=SRGB8_ALPHA8))
        made.append(drawn := context.texture((PLACES, PLACES), 4))
        made.append(frame := context.framebuffer([drawn]))
        made.append(program := drawing_program(context, _WEIGHTS, defines=switches(dither=False, sampled=sampled)))
        made.append(call := context.vertex_array(program, []))
        program["picture"] = UNITS["picture"]
        if "texels" in program:
            program["texels"] = (_SIDE, _SIDE, 1.0 / _SIDE, 1.0 / _SIDE)
        texture.use(UNITS["picture"])
        context.disable(moderngl.BLEND | moderngl.DEPTH_TEST | moderngl.CULL_FACE)
        frame.use()
        context.viewport = (0, 0, PLACES, PLACES)
        call.render(moderngl.TRIANGLES, vertices=3)
        data = np.frombuffer(frame.read(components=4, alignment=1), np.uint8)
        return data.reshape(PLACES, PLACES, 4)
    finally:
        for item in reversed(made):
            item.release()


def places_px() -> Array:
    """(PLACES,) where the unit is looked at, past the first texel's middle."""
    return (np.arange(PLACES) + 0.5) / PLACES


def weight_codes_beyond(codes: NDArray[np.uint8]) -> Array:
    """By how many codes weights, as codes (PLACES, PLACES, 4) along v, u, lie outside of what is within reach.

    Channels are the texels at (u, v) = (0, 0), (1, 0), (0, 1), (1, 1).
    """
    least, most = (
        255.0 * np.clip(_weights(step_px), 0.0, 1.0) ** (1.0 / _EXPONENT) for step_px in (-REACH_PX, REACH_PX)
    )
    beyond: Array = np.maximum(np.maximum(np.round(least) - codes, codes - np.round(most)), 0.0)
    return beyond


def _weights(nearer_px: float) -> Array:
    """(PLACES, PLACES, 4) of bilinear interpolation, each from a place so much nearer to its texel along both axes."""
    share = places_px()
    second, first = (np.clip(weight + nearer_px, 0.0, 1.0) for weight in (share, 1.0 - share))
    return np.stack([np.outer(v, u) for v in (first, second) for u in (first, second)], axis=-1)
