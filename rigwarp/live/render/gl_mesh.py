"""Draws the frame as a mesh of rectangles: one texture of two bytes per pixel beside the picture (`mesh_tiles`)."""

from typing import Any

import moderngl
import numpy as np

from rigwarp.live.render import shaders
from rigwarp.live.render.gl_programs import UNITS, drawing_program
from rigwarp.live.render.mesh_tiles import MeshTiles

_ATTRIBUTES = ("rectangle", "first", "second", "third")


class GlMesh:
    """The mesh's rectangles on the GPU, a program for each kind."""

    def __init__(self, context: moderngl.Context, resolution: tuple[int, int], *, dither: bool) -> None:
        self._context = context
        self._programs: dict[str, Any] = {
            kind: drawing_program(context, text, shaders.MESH_VERTEX, dither=dither)
            for kind, text in shaders.MESH_DRAWN.items()
        }
        self.set(frame_size=resolution, rows=resolution[1], **UNITS)
        self._how = context.texture(resolution, 1, dtype="u2", alignment=2)
        self._how.filter = (moderngl.NEAREST, moderngl.NEAREST)
        self._calls: list[tuple[Any, int]] = []
        self._loose: list[Any] = []

    def set(self, **values: Any) -> None:
        """Set uniforms, in those programs that have them."""
        for program in self._programs.values():
            for name in set(values) & set(program):
                program[name] = values[name]

    def place(self, tiles: MeshTiles, texture_size: tuple[int, int]) -> None:
        """Draw these rectangles from now on, with pictures in textures of that size, whose first texel is rim."""
        self.set(per_texel=(1.0 / texture_size[0], 1.0 / texture_size[1]))
        scale = np.ones(16, np.float32)
        scale[4:] = np.tile(1.0 / np.array(texture_size), 6)
        offset = np.zeros(16, np.float32)
        offset[4:6] = 1.5
        self._release_tiles()
        self._how.write(tiles.how)
        for kind, program in self._programs.items():
            rectangles = tiles.kinds[kind]
            if len(rectangles):
                buffer = self._context.buffer((rectangles + offset) * scale)
                whole = "first" in program
                names = _ATTRIBUTES if whole else _ATTRIBUTES[:1]
                call = self._context.vertex_array(program, [(buffer, f"4f {'4f 4f 4f' if whole else '48x'}/i", *names)])
                self._calls.append((call, len(rectangles)))
                self._loose += [call, buffer]

    def draw(self, picture: moderngl.Texture) -> None:
        """Draw into the framebuffer in use, whose viewport is the whole frame."""
        picture.use(UNITS["picture"])
        self._how.use(UNITS["how"])
        for call, count in self._calls:
            call.render(moderngl.TRIANGLE_STRIP, vertices=4, instances=count)

    def close(self) -> None:
        """Free everything."""
        self._release_tiles()
        for item in (self._how, *self._programs.values()):
            item.release()

    def _release_tiles(self) -> None:
        for item in self._loose:
            item.release()
        self._calls, self._loose = [], []
