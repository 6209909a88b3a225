"""The GPU renderer, by OpenGL 3.3 or ES 3.1; by compute shaders where OpenGL 4.3 has them and they are quicker.

Not by ES's own compute shaders: they write only into textures of a kind that moderngl does not make.
"""

import time
from typing import Any, Literal

import moderngl
import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import DeviceError
from rigwarp.live.render import shaders
from rigwarp.live.render.gl_context import COMPUTE_VERSION, is_es, is_software, standalone_context
from rigwarp.live.render.picture import AnyPicture, Picture, YuvPicture, checked
from rigwarp.live.render.sampling import GRID, SampleMap
from rigwarp.live.render.upload import StorageUpload, TextureUpload, open_upload
from rigwarp.live.render.warp import Warp, as_warp
from rigwarp.prewarp import Prewarp

Way = Literal["auto", "drawn", "computed"]
_CODES, _LIGHT, _PICTURE, _PLACE, _STEPS, _FRAME = range(6)  # texture units
_UNITS = {
    "codes": _CODES,
    "light": _LIGHT,
    "picture": _PICTURE,
    "place": _PLACE,
    "steps": _STEPS,
    "frame": _FRAME,
}
_GROUP_SIDE = 8
_RIM_PX = 3
"""Black texels around the picture on the GPU: one before it, two after it."""
_ORIGIN_PX = 32.0
"""Added to positions before they are packed, so that those beside the picture are positive."""
_RACE_DRAWS = 24
_NAME = "gl"
_WRITTEN_IMAGE = 0x08 | 0x20
"""GL_TEXTURE_FETCH_BARRIER_BIT and GL_SHADER_IMAGE_ACCESS_BARRIER_BIT: all barriers would wait for uploads as well."""


class GlRenderer:
    """`Renderer` on the GPU; `draw` puts the frame straight into a window."""

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
        self._resolution = self._warp.prewarp.projector_resolution
        self._way: Way = self._allowed(way)
        self._programs = self._made_programs(dither)
        self._calls = {n: self._context.vertex_array(p, []) for n, p in self._programs.items() if "drawn" in n}
        self._es = is_es(self._context)
        self._light = self._context.texture((256, 1), 1, dtype="f4")
        self._without_filter(self._light)
        self._light.repeat_x = self._light.repeat_y = False  # white must not be mixed with what follows it, black
        self._maps: list[moderngl.Texture] = []
        self._upload: StorageUpload | TextureUpload | None = None
        self._picture: list[Any] = []  # linear light, and its framebuffer
        self._wide = False
        self._frame: moderngl.Texture | None = None
        self._plain: moderngl.Texture | None = None
        self._screen: moderngl.Framebuffer | None = None
        self._size: tuple[int, int] | None = None
        self._planar = False
        self._foreign: moderngl.Texture | None = None
        self.use(self._warp)

    @property
    def name(self) -> str:
        """What OpenGL calls its renderer."""
        return str(self._context.info["GL_RENDERER"])

    @property
    def resolution(self) -> tuple[int, int]:
        """(width, height) of the projector's frame."""
        return self._resolution

    @property
    def way(self) -> Way:
        """How the warp is done: drawn or computed; auto until the first draw has found out which is quicker."""
        return self._way

    def use(self, warp: Warp) -> None:
        """Draw with another warp from the next `draw` on; the loaded picture stays.

        Raises
        ------
        ValueError
            When it was made for another projector resolution.
        """
        if warp.prewarp.projector_resolution != self._resolution:
            raise ValueError(f"a warp for {warp.prewarp.projector_resolution}, expected {self._resolution}")
        self._warp = warp
        transfer = warp.prewarp.transfer
        for name, program in self._programs.items():
            if name.startswith("warp"):
                program["gamma"] = 0.0 if transfer == "srgb" else float(transfer)
                program["by_unit"] = warp.sampling == "quick"
        self._light.write(warp.light().astype(np.float32).tobytes())
        if self._size is not None:
            self._place(warp.samples(self._size))
            self._decode(self._foreign)

    def render(self, picture: Picture) -> Picture:
        """See `Renderer`."""
        if self._screen is None:
            self._screen = self._context.framebuffer([self._context.texture(self._resolution, 4)])
        self.load(picture)
        self.draw(self._screen)
        return frame_of(self._screen)

    def load(self, picture: AnyPicture) -> None:
        """Take a picture to the GPU; it is drawn until the next one comes."""
        planar = isinstance(picture, YuvPicture)
        data = np.ascontiguousarray(picture.planes if isinstance(picture, YuvPicture) else checked(picture))
        size = (picture.shape[1], picture.shape[0])
        if size != self._size or planar != self._planar:
            self._resize(size, planar=planar)
        if isinstance(picture, YuvPicture):
            matrix = picture.to_rgb_matrix().T.astype(np.float32).tobytes()
            for name in ("decode_yuv_drawn", "decode_yuv_computed"):
                if name in self._programs:
                    self._programs[name]["to_rgb"].write(matrix)
        if self._upload is None:
            self._upload = open_upload(
                self._context, _bytes_of(size, planar), computed="decode_computed" in self._programs
            )
        self._upload.write(data)
        self._decode()

    def load_texture(self, texture: moderngl.Texture, *, bottom_up: bool = True) -> None:
        """Take a picture that is on the GPU already: sRGB code values, three or four channels.

        `bottom_up` is right for what OpenGL has drawn; False for a picture that was uploaded with its first row first.
        """
        if texture.size != self._size or self._planar:
            self._resize(texture.size)
        self._programs["decode_texture_drawn"]["bottom_up"] = bottom_up
        self._decode(texture)

    def draw(self, target: moderngl.Framebuffer) -> None:
        """Draw the frame into a framebuffer of the projector's native size; the picture must be loaded."""
        if self._size is None:
            raise ValueError("no picture has been loaded")
        if self._way == "auto":
            self._way = self._quicker(target)
        self._draw(target, self._way)

    def draw_frame(self, frame: Picture, target: moderngl.Framebuffer) -> None:
        """Draw a projector frame (H, W, 3) into a framebuffer as it is, without the warp."""
        if self._plain is None:
            self._plain = self._context.texture(self._resolution, 3, alignment=1)
            self._plain.filter = (moderngl.NEAREST, moderngl.NEAREST)
        self._plain.write(np.ascontiguousarray(frame).data)
        self._plain.use(_FRAME)
        self._context.disable(moderngl.BLEND | moderngl.DEPTH_TEST | moderngl.CULL_FACE)
        target.use()
        self._context.viewport = (0, 0, *self._resolution)
        self._calls["copy_drawn"].render(moderngl.TRIANGLES, vertices=3)

    def finish(self) -> None:
        """Wait until everything is drawn."""
        self._context.finish()

    def close(self) -> None:
        """Free textures, programs and, if it is our own, the context."""
        if not self._open:
            return
        self._open = False
        self._release_content()
        if self._screen is not None:
            self._screen.color_attachments[0].release()
            self._screen.release()
        loose = [*self._maps, *(item for item in (self._frame, self._plain) if item is not None), self._light]
        for item in (*loose, *self._calls.values(), *self._programs.values()):
            item.release()
        if self._own_context:
            self._context.release()

    def _draw(self, target: moderngl.Framebuffer, way: Way) -> None:
        self._context.disable(moderngl.BLEND | moderngl.DEPTH_TEST | moderngl.CULL_FACE)
        self._picture[0].use(_PICTURE)
        for texture, unit in zip(self._maps, (_PLACE, _STEPS), strict=True):
            texture.use(unit)
        if way == "computed":
            if self._frame is None:
                self._frame = self._context.texture(self._resolution, 4)
                self._frame.filter = (moderngl.NEAREST, moderngl.NEAREST)
            self._compute("warp_computed", self._frame, self._resolution)
            self._frame.use(_FRAME)
        target.use()
        self._context.viewport = (0, 0, *self._resolution)
        self._calls["copy_drawn" if way == "computed" else "warp_drawn"].render(moderngl.TRIANGLES, vertices=3)

    def _decode(self, foreign: moderngl.Texture | None = None) -> None:
        """Codes to linear light, for the whole picture: once per picture, not once per tap."""
        self._foreign = foreign
        picture, frame = self._picture
        source = self._upload if foreign is None else foreign
        assert source is not None  # one or the other was loaded
        source.use(_CODES)
        self._light.use(_LIGHT)
        kind = "decode_yuv" if self._planar else "decode"
        if isinstance(source, StorageUpload):
            self._compute(f"{kind}_computed", picture, picture.size)
            return
        frame.use()
        self._context.viewport = (0, 0, *picture.size)
        name = f"{kind}_drawn" if foreign is None else "decode_texture_drawn"
        self._calls[name].render(moderngl.TRIANGLES, vertices=3)

    def _compute(self, name: str, image: moderngl.Texture, size: tuple[int, int]) -> None:
        image.bind_to_image(0, read=False, write=True)
        self._programs[name].run(-(-size[0] // _GROUP_SIDE), -(-size[1] // _GROUP_SIDE))
        self._context.memory_barrier(_WRITTEN_IMAGE)

    def _quicker(self, target: moderngl.Framebuffer) -> Way:
        """Draw some frames either way and see; ties go to drawing, which needs no extra frame."""
        ways: tuple[Way, Way] = ("drawn", "computed")
        seconds = dict.fromkeys(ways, np.inf)
        for way in (*ways, *ways):  # the first round of each also compiles and warms up
            self._context.finish()
            start = time.perf_counter()
            for _ in range(_RACE_DRAWS):
                self._draw(target, way)
            self._context.finish()
            seconds[way] = min(seconds[way], time.perf_counter() - start)
        return "computed" if seconds["computed"] < seconds["drawn"] else "drawn"

    def _allowed(self, way: Way) -> Way:
        can = self._context.version_code >= COMPUTE_VERSION
        if way == "computed" and not can:
            raise DeviceError("OpenGL 4.3 is needed for compute shaders, and this machine has less. Use drawn.")
        return way if can and not (way == "auto" and is_software(self._context)) else "drawn"

    def _made_programs(self, dither: bool) -> dict[str, Any]:
        drawn = {"warp_drawn": shaders.WARP_DRAWN, "copy_drawn": shaders.COPY_DRAWN}
        drawn |= {"decode_drawn": shaders.DECODE_DRAWN, "decode_texture_drawn": shaders.DECODE_TEXTURE_DRAWN}
        drawn["decode_yuv_drawn"] = shaders.DECODE_YUV_DRAWN
        suited = shaders.for_es if is_es(self._context) else str
        made: dict[str, Any] = {
            name: self._context.program(vertex_shader=suited(shaders.VERTEX), fragment_shader=suited(text))
            for name, text in drawn.items()
        }
        if self._way != "drawn":
            made["warp_computed"] = self._context.compute_shader(shaders.WARP_COMPUTED)
            made["decode_computed"] = self._context.compute_shader(shaders.DECODE_COMPUTED)
            made["decode_yuv_computed"] = self._context.compute_shader(shaders.DECODE_YUV_COMPUTED)
        values = {**_UNITS, "rows": self._resolution[1], "dither": dither}
        for program in made.values():
            for name in set(values) & set(program):
                program[name] = values[name]
        return made

    def _resize(self, size: tuple[int, int], *, planar: bool = False) -> None:
        """Make room for pictures of another size, and look up where each projector pixel finds itself in them."""
        largest = int(self._context.info["GL_MAX_TEXTURE_SIZE"])
        rim = largest - _RIM_PX
        most = (rim, rim) if "decode_computed" in self._programs else (min(largest // 3, rim), min(largest // 2, rim))
        if size[0] > most[0] or size[1] > most[1] or max(self._resolution) > largest:
            raise DeviceError(
                f"a picture of {size[0]} x {size[1]} is more than this GPU takes. Make it at most {most[0]} wide and "
                f"{most[1]} high."
            )
        samples = self._warp.samples(size)
        self._release_content()
        for program in self._programs.values():
            for name, value in (("size", size), ("row_bytes", _bytes_of(size, planar)[0])):
                if name in program:
                    program[name] = value
        self._size, self._planar = size, planar
        self._place(samples)

    def _make_picture(self, size: tuple[int, int], *, wide: bool) -> None:
        """Room for the picture's light: half floats, but whole ones where the cubic takes differences of them."""
        if self._picture and self._wide == wide and self._picture[0].size == (size[0] + _RIM_PX, size[1] + _RIM_PX):
            return
        for item in reversed(self._picture):
            item.release()
        texture = self._context.texture((size[0] + _RIM_PX, size[1] + _RIM_PX), 4, dtype="f4" if wide else "f2")
        if wide:
            self._without_filter(texture)
        self._picture, self._wide = [texture, self._context.framebuffer([texture])], wide

    def _without_filter(self, texture: moderngl.Texture) -> None:
        """ES need not filter whole floats, and takes a texture that asks for it as black; our texts do not ask."""
        if self._es:
            texture.filter = (moderngl.NEAREST, moderngl.NEAREST)

    def _place(self, samples: SampleMap) -> None:
        self._make_picture(samples.picture_size, wide=bool(samples.cubic.any()))
        self.prepare(samples)
        if not self._maps:
            self._maps = [self._context.texture(self._resolution, 2, dtype="u4")]
            self._maps.append(self._context.texture(self._resolution, 4, dtype="i2"))
            for texture in self._maps:
                texture.filter = (moderngl.NEAREST, moderngl.NEAREST)
        for texture, values in zip(self._maps, samples.prepared[_NAME], strict=True):
            texture.write(values)

    @staticmethod
    def prepare(samples: SampleMap) -> None:
        """Pack what drawing with these samples needs; from any thread, once, so that drawing need not wait."""
        if _NAME not in samples.prepared:
            samples.prepared[_NAME] = (packed_places(samples), packed_steps(samples))

    def _release_content(self) -> None:
        if self._upload is not None:
            self._upload.release()
        for item in reversed(self._picture):
            item.release()
        self._upload, self._picture = None, []


def _bytes_of(size: tuple[int, int], planar: bool) -> tuple[int, int]:
    """(bytes in a row, rows) of a picture of that size."""
    return (size[0], size[1] * 3 // 2) if planar else (3 * size[0], size[1])


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
