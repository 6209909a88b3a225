"""The warp inside somebody else's OpenGL program, here with pygame and moderngl.

    python demos/own_program.py my-rig [seconds]

The program draws what it likes into a texture; `warp.draw` puts it on the table.
"""

import sys
import time

import moderngl
import pygame

import rigwarp

VERTEX = """#version 330 core
out vec2 at;
void main() {
    at = vec2(gl_VertexID == 1 ? 3.0 : -1.0, gl_VertexID == 2 ? 3.0 : -1.0);
    gl_Position = vec4(at, 0.0, 1.0);
}
"""
RINGS = """#version 330 core
uniform float seconds;
in vec2 at;
out vec4 colour;
void main() { colour = vec4(0.5 + 0.5 * sin(40.0 * length(at) - 3.0 * seconds + vec3(0.0, 2.1, 4.2)), 1.0); }
"""


def main() -> None:
    """Rings that run outwards, until a key is pressed."""
    warp = rigwarp.load_warp(sys.argv[1])
    limit_s = float(sys.argv[2]) if len(sys.argv) > 2 else float("inf")
    pygame.display.init()
    for name, value in (("MAJOR_VERSION", 3), ("MINOR_VERSION", 3), ("PROFILE_MASK", pygame.GL_CONTEXT_PROFILE_CORE)):
        pygame.display.gl_set_attribute(getattr(pygame, f"GL_CONTEXT_{name}"), value)
    pygame.display.set_mode(warp.resolution, pygame.OPENGL | pygame.DOUBLEBUF | pygame.NOFRAME)
    context = moderngl.create_context()
    own = context.texture(warp.rig.content.pixels, 3)
    canvas = context.framebuffer([own])
    program = context.program(vertex_shader=VERTEX, fragment_shader=RINGS)
    rings = context.vertex_array(program, [])
    start = time.monotonic()
    while time.monotonic() - start < limit_s and not pygame.event.get(pygame.KEYDOWN):
        program["seconds"] = time.monotonic() - start
        canvas.use()
        rings.render(moderngl.TRIANGLES, vertices=3)
        warp.draw(own, context.screen)  # this is all
        pygame.display.flip()
    warp.close()
    pygame.display.quit()


if __name__ == "__main__":
    main()
