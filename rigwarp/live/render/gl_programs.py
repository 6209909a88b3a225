"""What the parts of the GPU renderer share: texture units, group sizes, and how programs are made."""

from collections.abc import Sequence

import moderngl

from rigwarp.live.render import shader_parts
from rigwarp.live.render.gl_context import is_es

UNITS = {"codes": 0, "light": 1, "picture": 2, "place": 3, "chroma": 3, "steps": 4, "how": 5, "frame": 5}
"""Texture units by the samplers' names; those that share one are never in one program."""
GROUP_SIDE = 8
WRITTEN_IMAGE = 0x08 | 0x20
"""GL_TEXTURE_FETCH_BARRIER_BIT and GL_SHADER_IMAGE_ACCESS_BARRIER_BIT: all barriers would wait for uploads as well."""


def switches(*, dither: bool, smooth: bool = False) -> list[str]:
    """Of the shaders: whether they dither between code values, whether the gain comes from the mesh's corners."""
    return [name for name, on in (("DITHERED", dither), ("SMOOTH", smooth)) if on]


def drawing_program(
    context: moderngl.Context, fragment: str, vertex: str = shader_parts.VERTEX, *, defines: Sequence[str] = ()
) -> moderngl.Program:
    """A program of two shaders, in the words of this context's OpenGL."""
    suited = shader_parts.for_es if is_es(context) else str
    fragment, vertex = (shader_parts.defined(text, *defines) for text in (fragment, vertex))
    return context.program(vertex_shader=suited(vertex), fragment_shader=suited(fragment))
