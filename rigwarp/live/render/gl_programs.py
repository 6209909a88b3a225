"""What the parts of the GPU renderer share: texture units, group sizes, lines of shaders, how programs are made.

Nothing but `row` turns OpenGL's bottom-up rows into our own.
"""

from collections.abc import Sequence
from typing import Literal

import moderngl

from rigwarp.live.render.gl_context import is_es

UNITS = {"codes": 0, "light": 1, "picture": 2, "place": 3, "chroma": 3, "steps": 4, "how": 5, "frame": 5}
"""Texture units by the samplers' names; those that share one are never in one program."""
GROUP_SIDE = 8
SRGB8_ALPHA8 = 0x8C43
Sampled = Literal["unit", "rows", "fetched"]
"""How the mesh interpolates between four texels: all by the texture unit, in two of its samples, or by itself."""
WRITTEN_IMAGE = 0x08 | 0x20
"""GL_TEXTURE_FETCH_BARRIER_BIT and GL_SHADER_IMAGE_ACCESS_BARRIER_BIT: all barriers would wait for uploads as well."""

GLSL_FRAGMENT = "#version 330 core\n"
GLSL_FRAGMENT_STORAGE = "#version 430 core\n"
"""Of fragment shaders that read buffers."""
GLSL_COMPUTE = "#version 430 core\nlayout(local_size_x = 8, local_size_y = 8) in;\n"
_ES_HEAD = (
    "#version 310 es\nprecision highp float;\nprecision highp int;\nprecision highp sampler2D;\n"
    "precision highp usampler2D;\nprecision highp isampler2D;\n"
)

VERTEX = """#version 330 core
void main() {
    // one triangle that covers the whole viewport
    gl_Position = vec4(gl_VertexID == 1 ? 3.0 : -1.0, gl_VertexID == 2 ? 3.0 : -1.0, 0.0, 1.0);
}
"""

TO_TARGET = """
uniform int rows;            // height of the projector's picture
out vec4 colour;
ivec2 row(vec2 fragment) { return ivec2(int(fragment.x), rows - 1 - int(fragment.y)); }
"""

TO_IMAGE = """
ivec2 here() { return ivec2(gl_GlobalInvocationID.xy); }
bool inside(ivec2 size) { return all(lessThan(here(), size)); }
"""


def for_es(text: str) -> str:
    """A drawing shader as OpenGL ES 3.1 wants it: with another head."""
    return text.replace(GLSL_FRAGMENT, _ES_HEAD).replace(GLSL_FRAGMENT_STORAGE, _ES_HEAD)


def defined(text: str, *names: str) -> str:
    """A shader with switches of the compiler on: a weak GPU would do both sides of an if."""
    version, rest = text.split("\n", 1)
    return "\n".join([version, *(f"#define {name}" for name in names), rest])


def switches(*, dither: bool, smooth: bool = False, sampled: Sampled = "unit") -> list[str]:
    """Of the shaders: whether they dither between code values, whether the gain comes from the mesh's corners, how the
    mesh takes samples."""
    coarse = sampled != "unit"
    on = {"DITHERED": dither, "SMOOTH": smooth, "COARSE": coarse, "ROWS": sampled == "rows"}
    return [name for name, wanted in on.items() if wanted]


def drawing_program(
    context: moderngl.Context, fragment: str, vertex: str = VERTEX, *, defines: Sequence[str] = ()
) -> moderngl.Program:
    """A program of two shaders, in the words of this context's OpenGL."""
    suited = for_es if is_es(context) else str
    fragment, vertex = (defined(text, *defines) for text in (fragment, vertex))
    return context.program(vertex_shader=suited(vertex), fragment_shader=suited(fragment))
