"""What shaders have in common: their first lines, the triangle that covers the frame, and OpenGL's rows.

Nothing but `row` turns OpenGL's bottom-up rows into our own.
"""

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
