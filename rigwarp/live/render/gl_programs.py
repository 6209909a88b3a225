"""What the parts of the GPU renderer share: texture units, group sizes, and how programs are made."""

import moderngl

from rigwarp.live.render import shader_parts
from rigwarp.live.render.gl_context import is_es

UNITS = {"codes": 0, "light": 1, "picture": 2, "place": 3, "chroma": 3, "steps": 4, "how": 5, "frame": 5}
"""Texture units by the samplers' names; those that share one are never in one program."""
GROUP_SIDE = 8
WRITTEN_IMAGE = 0x08 | 0x20
"""GL_TEXTURE_FETCH_BARRIER_BIT and GL_SHADER_IMAGE_ACCESS_BARRIER_BIT: all barriers would wait for uploads as well."""


def drawing_program(
    context: moderngl.Context, fragment: str, vertex: str = shader_parts.VERTEX, *, dither: bool = False
) -> moderngl.Program:
    """A program of two shaders, in the words of this context's OpenGL."""
    suited = shader_parts.for_es if is_es(context) else str
    fragment = shader_parts.dithered(fragment) if dither else fragment
    return context.program(vertex_shader=suited(vertex), fragment_shader=suited(fragment))
