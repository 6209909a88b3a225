"""Draws the frame as a mesh of rectangles: at most two bytes per pixel beside the picture (`mesh_tiles`)."""

from typing import Any

import moderngl
import numpy as np
from numpy.typing import NDArray

from rigwarp.live.render import shaders
from rigwarp.live.render.gl_filter import sampled_finely
from rigwarp.live.render.gl_programs import UNITS, drawing_program, switches
from rigwarp.live.render.mesh_tiles import CELLS, KINDS, SMOOTH_KINDS, MeshTiles

_ATTRIBUTES = (("rectangle", 4), ("first", 4), ("second", 4), ("third", 4), ("fourth", 4), ("fifth", 2))
"""Of the vertex shader, and how many numbers each; the last two where the gain is smooth."""


class GlMesh:
    """The mesh's rectangles on the GPU, a program for each kind."""

    def __init__(self, context: moderngl.Context, resolution: tuple[int, int], *, dither: bool) -> None:
        self._context = context
        sampled = sampled_finely(context)
        self._programs: dict[tuple[str, bool], Any] = {  # by kind, and whether the gain is smooth
            (kind, smooth): drawing_program(
                context,
                shaders.MESH_DRAWN[kind],
                shaders.MESH_VERTEX,
                defines=switches(dither=dither, smooth=smooth, sampled=sampled),
            )
            for kind, smooth in (*((kind, False) for kind in KINDS), *((kind, True) for kind in SMOOTH_KINDS))
        }
        self.set(frame_size=resolution, rows=resolution[1], **UNITS)
        self._how = context.texture(resolution, 1, dtype="u2", alignment=2)
        self._how.filter = (moderngl.NEAREST, moderngl.NEAREST)
        self._calls: list[tuple[Any, Any, int, int]] = []  # program, rectangles, cells along a side, how many
        self._loose: list[Any] = []
        self._lifted: tuple[float, float] | None = None

    def set(self, **values: Any) -> None:
        """Set uniforms, in those programs that have them."""
        for program in self._programs.values():
            for name in set(values) & set(program):
                program[name] = values[name]

    def set_lifted(self, lifted: tuple[float, float]) -> None:
        """What codes shine with; looked through the programs for it only when it is new, since every frame asks."""
        if lifted != self._lifted:
            self._lifted = lifted
            self.set(lifted=lifted)

    def place(self, tiles: MeshTiles, texture_size: tuple[int, int]) -> None:
        """Draw these rectangles from now on, with pictures in textures of that size, whose first texel is rim."""
        self.set(texels=(*texture_size, 1.0 / texture_size[0], 1.0 / texture_size[1]))
        scale = np.ones(16, np.float32)
        scale[4:] = np.tile(1.0 / np.array(texture_size), 6)
        offset = np.zeros(16, np.float32)
        offset[4:6] = 1.5
        self._release_tiles()
        self._how.write(tiles.how)
        for (kind, smooth), program in self._programs.items():
            rectangles = tiles.kinds[kind]
            roots = tiles.roots.get(kind, np.full((len(rectangles), 6), np.nan, np.float32))
            for cells in CELLS:
                own = (rectangles[:, 16] == cells) & (np.isfinite(roots[:, 0]) == smooth)
                if own.any():
                    placed = (rectangles[own, :16] + offset) * scale
                    self._calls.append((program, self._call(program, placed, roots[own]), cells, len(placed)))

    def draw(self, picture: moderngl.Texture) -> None:
        """Draw into the framebuffer in use, whose viewport is the whole frame."""
        picture.use(UNITS["picture"])
        self._how.use(UNITS["how"])
        for program, call, cells, count in self._calls:
            program["cells"] = cells
            call.render(moderngl.TRIANGLES, vertices=6 * cells**2, instances=count)

    def close(self) -> None:
        """Free everything."""
        self._release_tiles()
        for item in (self._how, *self._programs.values()):
            item.release()

    def _call(self, program: Any, rectangles: NDArray[np.float32], roots: NDArray[np.float32]) -> Any:
        buffer = self._context.buffer(np.hstack([rectangles, roots]))
        # programs that look nowhere have no use for the quadratics
        form = [f"{count}f" if name in program else f"{4 * count}x" for name, count in _ATTRIBUTES]
        names = [name for name, _ in _ATTRIBUTES if name in program]
        call = self._context.vertex_array(program, [(buffer, f"{' '.join(form)}/i", *names)])
        self._loose += [call, buffer]
        return call

    def _release_tiles(self) -> None:
        for item in self._loose:
            item.release()
        self._calls, self._loose = [], []
