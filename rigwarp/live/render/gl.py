"""The GPU renderer, by OpenGL 3.3 or ES 3.1; by compute shaders where OpenGL 4.3 has them and they are quicker.

Not by ES's own compute shaders: they write only into textures of a kind that moderngl does not make.
"""

import time
from collections.abc import Callable
from typing import Any, Literal

import moderngl
import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import DeviceError
from rigwarp.live.render import shaders
from rigwarp.live.render.gl_context import COMPUTE_VERSION, is_software, standalone_context
from rigwarp.live.render.gl_mesh import GlMesh
from rigwarp.live.render.gl_picture import GlPicture, texture_size
from rigwarp.live.render.gl_programs import GROUP_SIDE, UNITS, WRITTEN_IMAGE, defined, drawing_program, switches
from rigwarp.live.render.mesh_tiles import MeshTiles, mesh_tiles
from rigwarp.live.render.picture import AnyPicture, Picture, YuvPicture
from rigwarp.live.render.reference import MOST_CODES, codes_beyond, trial_pictures, trial_prewarp
from rigwarp.live.render.sampling import GRID, SampleMap
from rigwarp.live.render.warp import Warp, as_warp, warp_of
from rigwarp.prewarp import Prewarp

Way = Literal["auto", "drawn", "computed", "meshed"]
"""By the map of single pixels, drawn or computed, or by the mesh, in which places are good to 0.05 px."""
_ORIGIN_PX = 32.0
"""Added to positions before they are packed, so that those beside the picture are positive."""
_RACE_FRAMES = 12
_MAP, _MESH = "gl map", "gl mesh"


class GlRenderer:
    """`Renderer` on the GPU; `draw` puts the frame straight into a window.

    `resolution` is (width, height) of the projector's frame; `way` is how the warp is done: auto until the first draw
    has found out what is quickest.
    """

    def __init__(
        self,
        prewarp: Prewarp | Warp,
        context: moderngl.Context | None = None,
        *,
        dither: bool = False,
        way: Way = "auto",
    ) -> None:
        self._own_context = context is None
        self._context = standalone_context() if context is None else context
        self._open = True
        self._warp = as_warp(prewarp)
        self.resolution = self._warp.prewarp.projector_resolution
        self.way: Way = self._allowed(way)
        self._now: Way = "drawn" if self.way == "auto" else self.way  # what the picture and maps are made for
        self._dither = dither
        self._programs = self._made_programs()
        self._calls = {n: self._context.vertex_array(p, []) for n, p in self._programs.items() if "drawn" in n}
        self._mesh: GlMesh | None = None
        self._picture = GlPicture(self._context, computed=self._can("computed"))
        self._picture.prepare(to_codes=self._now == "meshed")
        self._maps: list[moderngl.Texture] = []
        self._frame: moderngl.Texture | None = None
        self._plain: moderngl.Texture | None = None
        self._screen: moderngl.Framebuffer | None = None
        self._again: Callable[[], None] | None = None
        self.use(self._warp)

    @property
    def name(self) -> str:
        """What OpenGL calls its renderer."""
        return str(self._context.info["GL_RENDERER"])

    def use(self, warp: Warp) -> None:
        """Draw with another warp from the next `draw` on; the loaded picture stays.

        Raises
        ------
        ValueError
            When it was made for another projector resolution.
        """
        if warp.prewarp.projector_resolution != self.resolution:
            raise ValueError(f"a warp for {warp.prewarp.projector_resolution}, expected {self.resolution}")
        self._warp = warp
        self._set_warp()
        light = warp.light()
        self._picture.set_light(light)
        self._lifted = float(light[0]), float(light[-1] - light[0])  # worked out once, not for each frame of a video
        if self._picture.size is not None:
            self._place(self.prepare(warp, self._picture.size))
            self._make_room(foreign=self._picture.foreign is not None)
            self._picture.decode()

    def render(self, picture: Picture) -> Picture:
        """See `Renderer`."""
        if self._screen is None:
            self._screen = self._context.framebuffer([self._context.texture(self.resolution, 4)])
        self.load(picture)
        self.draw(self._screen)
        return frame_of(self._screen)

    def load(self, picture: AnyPicture) -> None:
        """Take a picture to the GPU; it is drawn until the next one comes."""
        planar, size = isinstance(picture, YuvPicture), (picture.shape[1], picture.shape[0])
        if not self._picture.fits(size, planar=planar):
            samples = self.prepare(self._warp, size)
            self._picture.resize(size, self.resolution, planar=planar)
            self._place(samples)
        self._make_room(foreign=False)
        self._picture.load(picture)
        self._again = (lambda: self.load(picture)) if self.way == "auto" else None

    def load_texture(self, texture: moderngl.Texture, *, bottom_up: bool = True) -> None:
        """Take a picture that is on the GPU already: sRGB code values, three or four channels.

        `bottom_up` is right for what OpenGL has drawn; False for a picture that was uploaded with its first row first.
        """
        if not self._picture.fits(texture.size, planar=False):
            samples = self.prepare(self._warp, texture.size)
            self._picture.resize(texture.size, self.resolution)
            self._place(samples)
        self._make_room(foreign=True)
        self._picture.load_texture(texture, bottom_up=bottom_up)
        self._again = (lambda: self.load_texture(texture, bottom_up=bottom_up)) if self.way == "auto" else None

    def draw(self, target: moderngl.Framebuffer) -> None:
        """Draw the frame into a framebuffer of the projector's native size; the picture must be loaded."""
        if self._picture.size is None:
            raise ValueError("no picture has been loaded")
        if self.way == "auto":
            self.try_ways(target)
        self._draw(target)

    def try_ways(self, target: moderngl.Framebuffer) -> dict[Way, float]:
        """Load and draw some frames in every way that is exact enough, and go on in the quickest.

        What was loaded last is loaded again and again. Ties go to what is exact altogether. Only while `way` is auto.

        Returns
        -------
        Seconds that a frame takes in each of the ways.
        """

        def again() -> None:
            self._reload()
            self._draw(target)

        ways = self._possible()
        seconds = dict.fromkeys(ways, np.inf)
        for way in (*ways, *ways):  # the first round of each also compiles and warms up
            self._take(way)
            seconds[way] = min(seconds[way], self._timed(again))
        best = min(ways, key=lambda way: seconds[way])
        self._take(best)
        self.way, self._again = best, None
        self._release_others()
        return seconds

    def plain_draw_s(self, target: moderngl.Framebuffer) -> float:
        """Seconds of the least that could be drawn: a texture of the frame's size as it is."""
        self.draw_frame(np.zeros((self.resolution[1], self.resolution[0], 3), np.uint8), target)
        return min(self._timed(self._copy) for _ in range(2))

    def draw_frame(self, frame: Picture, target: moderngl.Framebuffer) -> None:
        """Draw a projector frame (H, W, 3) into a framebuffer as it is, without the warp."""
        if self._plain is None:
            self._plain = self._context.texture(self.resolution, 3, alignment=1)
            self._plain.filter = (moderngl.NEAREST, moderngl.NEAREST)
        self._plain.write(np.ascontiguousarray(frame).data)
        self._plain.use(UNITS["frame"])
        self._aim(target)
        self._copy()

    def finish(self) -> None:
        """Wait until everything is drawn."""
        self._context.finish()

    def prepare(self, warp: Warp, size: tuple[int, int]) -> SampleMap:
        """Pack what drawing pictures of this size needs; from any thread, once, so that drawing need not wait."""
        return warp.kept(size, "gl", lambda sampler: self._packed(sampler.samples()))

    def _packed(self, samples: SampleMap) -> SampleMap:
        meshed = self._now == "meshed"
        if meshed and _MESH not in samples.prepared:
            samples.prepared[_MESH] = mesh_tiles(samples)
        if _MAP not in samples.prepared and not (meshed and not len(samples.prepared[_MESH].kinds["exact"])):
            samples.prepared[_MAP] = (packed_places(samples), packed_steps(samples))
        return samples

    def close(self) -> None:
        """Free textures, programs and, if it is our own, the context."""
        if not self._open:
            return
        self._open = False
        self._picture.close()
        if self._mesh is not None:
            self._mesh.close()
        if self._screen is not None:
            self._screen.color_attachments[0].release()
            self._screen.release()
        loose = [*self._maps, *(item for item in (self._frame, self._plain) if item is not None)]
        for item in (*loose, *self._calls.values(), *self._programs.values()):
            item.release()
        if self._own_context:
            self._context.release()

    def _draw(self, target: moderngl.Framebuffer) -> None:
        for texture, unit in zip(self._maps, ("place", "steps"), strict=False):
            texture.use(UNITS[unit])
        if self._now == "meshed":
            self._aim(target)
            self._made_mesh().draw(self._picture.texture)
            return
        self._picture.texture.use(UNITS["picture"])
        if self._now == "computed":
            self._compute_frame()
        self._aim(target)
        name = "copy_drawn" if self._now == "computed" else "warp_drawn"
        self._calls[name].render(moderngl.TRIANGLES, vertices=3)

    def _aim(self, target: moderngl.Framebuffer) -> None:
        self._context.disable(moderngl.BLEND | moderngl.DEPTH_TEST | moderngl.CULL_FACE)
        target.use()
        self._context.viewport = (0, 0, *self.resolution)

    def _compute_frame(self) -> None:
        if self._frame is None:
            self._frame = self._context.texture(self.resolution, 4)
            self._frame.filter = (moderngl.NEAREST, moderngl.NEAREST)
        self._frame.bind_to_image(0, read=False, write=True)
        self._programs["warp_computed"].run(*(-(-side // GROUP_SIDE) for side in self.resolution))
        self._context.memory_barrier(WRITTEN_IMAGE)
        self._frame.use(UNITS["frame"])

    def _possible(self) -> list[Way]:
        """The ways that this GPU has and that are exact enough on it, those that are exact altogether first."""
        ways: list[Way] = ["drawn"]
        if self._context.version_code >= COMPUTE_VERSION:
            ways.append("computed")
        if mesh_is_exact(self._context):
            ways.append("meshed")
        return ways

    def _timed(self, work: Callable[[], None]) -> float:
        """Seconds of a piece of work, of which a number is under way at a time."""
        self._context.finish()
        start = time.perf_counter()
        for _ in range(_RACE_FRAMES):
            work()
        self._context.finish()
        return (time.perf_counter() - start) / _RACE_FRAMES

    def _copy(self) -> None:
        self._calls["copy_drawn"].render(moderngl.TRIANGLES, vertices=3)

    def _take(self, way: Way) -> None:
        """Make picture and maps anew, for another way."""
        if way != self._now:
            self._now = way
            assert self._picture.size is not None  # something is loaded
            self._picture.release()
            self._set_warp()
            self._place(self.prepare(self._warp, self._picture.size))
            self._reload()

    def _release_others(self) -> None:
        """Free what the ways that lost have made: maps of a 4K projector are 133 MB here, and as many on the GPU."""
        assert self._picture.size is not None  # see `_take`
        prepared = self.prepare(self._warp, self._picture.size).prepared
        if self._now != "meshed" and self._mesh is not None:
            self._mesh.close()
            self._mesh = None
            prepared.pop(_MESH, None)
        if self._now == "meshed" and not len(prepared[_MESH].kinds["exact"]):
            prepared.pop(_MAP, None)
            while self._maps:
                self._maps.pop().release()
        if self._now != "computed" and self._frame is not None:
            self._frame.release()
            self._frame = None

    def _reload(self) -> None:
        assert self._again is not None  # something was loaded while the way was not settled
        self._again()

    def _can(self, way: Way) -> bool:
        return self.way in (way, "auto") and (way != "computed" or self._context.version_code >= COMPUTE_VERSION)

    def _allowed(self, way: Way) -> Way:
        if way == "computed" and self._context.version_code < COMPUTE_VERSION:
            raise DeviceError("OpenGL 4.3 is needed for compute shaders, and this machine has less. Use drawn.")
        return "drawn" if way == "auto" and is_software(self._context) else way

    def _made_programs(self) -> dict[str, Any]:
        made: dict[str, Any] = {"copy_drawn": drawing_program(self._context, shaders.COPY_DRAWN)}
        defines = switches(dither=self._dither)
        if self._can("drawn"):
            made["warp_drawn"] = drawing_program(self._context, shaders.WARP_DRAWN, defines=defines)
        if self._can("computed"):
            text = defined(shaders.WARP_COMPUTED, *defines)
            made["warp_computed"] = self._context.compute_shader(text)
        values = {**UNITS, "rows": self.resolution[1]}
        for program in made.values():
            for name in set(values) & set(program):
                program[name] = values[name]
        return made

    def _made_mesh(self) -> GlMesh:
        if self._mesh is None:
            self._mesh = GlMesh(self._context, self.resolution, dither=self._dither)
        return self._mesh

    def _set_warp(self) -> None:
        """Set the programs' uniforms that go with the warp."""
        transfer = self._warp.prewarp.transfer
        # IEC 61966-2-1
        curve = (1 / 2.4, 1.055, -0.055, 0.0031308) if transfer == "srgb" else (1 / float(transfer), 1.0, 0.0, 0.0)
        values = {"curve": curve, "by_unit": self._warp.sampling == "quick"}
        for program in self._programs.values():
            for name in set(values) & set(program):
                program[name] = values[name]
        if self._now == "meshed":
            self._made_mesh().set(**values)

    def _make_room(self, *, foreign: bool) -> None:
        """Texels of the right kind: half floats, but whole ones where the exact cubic takes differences of them."""
        if self._now == "meshed" and not foreign:
            self._picture.room("codes")
        else:
            self._picture.room("whole" if self._now != "meshed" and self._has_cubic else "half")
        if self._now == "meshed":
            self._made_mesh().set_lifted((0.0, 1.0) if self._picture.lifted else self._lifted)

    def _place(self, samples: SampleMap) -> None:
        self._has_cubic = bool(samples.cubic.any())
        self._packed(samples)
        tiles: MeshTiles | None = samples.prepared[_MESH] if self._now == "meshed" else None
        if tiles is not None:
            self._made_mesh().place(tiles, texture_size(samples.picture_size))
        if tiles is None or len(tiles.kinds["exact"]):
            self._write_maps(samples)

    def _write_maps(self, samples: SampleMap) -> None:
        if not self._maps:
            self._maps = [self._context.texture(self.resolution, 2, dtype="u4")]
            self._maps.append(self._context.texture(self.resolution, 4, dtype="i2"))
            for texture in self._maps:
                texture.filter = (moderngl.NEAREST, moderngl.NEAREST)
        for texture, values in zip(self._maps, samples.prepared[_MAP], strict=True):
            texture.write(values)


def mesh_is_exact(context: moderngl.Context) -> bool:
    """Try the mesh on this GPU: its sRGB curve may be coarser than expected, or its weights misjudged (`gl_filter`)."""
    warp = warp_of(trial_prewarp())
    renderer = None
    try:
        renderer = GlRenderer(warp, context, way="meshed")
        worst = max(codes_beyond(renderer.render(picture), warp, picture).max() for picture in trial_pictures())
    except moderngl.Error:  # no drawing into sRGB textures, say: there are other ways
        return False
    finally:
        if renderer is not None:
            renderer.close()
    return bool(worst <= MOST_CODES)


def frame_of(screen: moderngl.Framebuffer) -> Picture:
    """(H, W, 3) what a framebuffer holds, first row first; read as four channels, which every OpenGL can do."""
    width, height = screen.size
    data = np.frombuffer(screen.read(components=4, alignment=1), np.uint8)
    return np.ascontiguousarray(data.reshape(height, width, 4)[::-1, :, :3])


def packed_places(samples: SampleMap) -> NDArray[np.uint32]:
    """(H, W, 2): u in 256ths with the gain's root below it, v in 256ths with the way of sampling below it."""
    grid = np.round((samples.position_px + np.float32(_ORIGIN_PX)) * GRID).astype(np.uint32) << 10
    taps = samples.taps.astype(np.uint32) - 1
    how = taps[..., 0] | taps[..., 1] << 4 | samples.cubic.astype(np.uint32) << 8
    below = np.stack([samples.gain_root.astype(np.uint32), how], axis=-1)
    return np.ascontiguousarray(grid | below)


def packed_steps(samples: SampleMap) -> NDArray[np.int16]:
    """(H, W, 4): steps from tap to tap in 128ths of a pixel, along the projector's u, then its v."""
    steps = np.concatenate([samples.step_px[..., 0], samples.step_px[..., 1]], axis=-1)
    return np.ascontiguousarray(np.clip(np.round(steps * (GRID / 2)), -32768, 32767).astype(np.int16))
