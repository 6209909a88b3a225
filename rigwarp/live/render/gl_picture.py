"""The picture on the GPU: uploaded, and decoded once per picture instead of once per sample.

Ways of its bytes to the GPU, measured on a data-centre GPU at 1080p, as a ratio to a plain draw: three buffers in turn
that a compute shader reads 1.4 (video planes) and 2.9 (RGB). Without compute shaders, with decoding, video planes at
1080p and at 4K: buffers that fragment shaders read 2.2 to 2.4 and 2.2 to 2.3; textures written straight from memory 5
to 7 and 9 to 13; by way of pixel buffers 4.4 to 4.7 and 3.8 to 4.6; buffers as textures 4.3 to 4.7 and 4.1 to 4.5. So
bytes become a texture only where fragment shaders cannot read buffers, as OpenGL before 4.3 and some of ES 3.1, and in
software, where fetching from textures is quicker.
"""

import functools
from itertools import chain
from typing import Any, Literal

import moderngl
import numpy as np

from rigwarp.errors import DeviceError
from rigwarp.live.render import decode_shaders
from rigwarp.live.render.gl_context import COMPUTE_VERSION, is_es, is_software
from rigwarp.live.render.gl_programs import (
    GLSL_FRAGMENT_STORAGE,
    GROUP_SIDE,
    SRGB8_ALPHA8,
    UNITS,
    WRITTEN_IMAGE,
    drawing_program,
)
from rigwarp.live.render.picture import AnyPicture, Picture, YuvPicture, checked

Stored = Literal["codes", "half", "whole"]
"""How texels are kept: sRGB codes that the GPU turns into light, or light itself in half or whole floats."""
_RIM_PX = 3
"""Black texels around the picture on the GPU: one before it, two after it."""
_FRAMEBUFFER_SRGB, _CURVE_CAN_GO = 0x8DB9, "GL_EXT_sRGB_write_control"
"""ES puts the curve on whatever is written to an sRGB texture, unless it has this extension and is told not to."""
STORAGE_BINDING = 1
_IN_FLIGHT = 3
"""The GPU reads one, one waits, one is written."""
_WORD_BYTES = 4
_ES_BLOCK_BYTES = 2**27
"""The least that ES 3.1 has in one buffer (its table 20.46), of which moderngl says nothing."""
_READS_STORAGE = """
layout(std430, binding = 1) readonly buffer Bytes { uint words[]; };
out vec4 colour;
void main() { colour = vec4(float(words[int(gl_FragCoord.x)])); }
"""


def texture_size(size: tuple[int, int]) -> tuple[int, int]:
    """(width, height) of a picture's texture: with its rim."""
    return size[0] + _RIM_PX, size[1] + _RIM_PX


@functools.cache
def _matrix_bytes(luma: tuple[float, float], full_range: bool) -> bytes:
    nothing = np.empty((0, 0), np.uint8)
    matrix = YuvPicture(planes=nothing, luma=luma, full_range=full_range).to_rgb_matrix()
    return matrix.T.astype(np.float32).tobytes()


class GlPicture:
    """What the warp samples; `load` or `load_texture` fills it.

    Attributes
    ----------
    size : (width, height) of the picture; None before the first one.
    foreign : the texture that the picture was taken from, None where it was loaded from memory.
    """

    def __init__(self, context: moderngl.Context, *, computed: bool) -> None:
        self._context, self._es = context, is_es(context)
        self._curve_can_go = self._es and _CURVE_CAN_GO in context.extensions
        self._programs: dict[str, Any] = {}
        self._calls: dict[str, Any] = {}
        self._computes, self._reads_storage = computed, fragments_read_storage(context)
        self._light = context.texture((256, 1), 1, dtype="f4")
        self.without_filter(self._light)
        self._light.repeat_x = self._light.repeat_y = False  # white must not be mixed with what follows it, black
        self._upload: StorageUpload | TextureUpload | None = None
        self._kept: list[Any] = []  # texture and framebuffer
        self._chroma: list[Any] = []  # the same, of a video's colours
        self._stored: Stored = "half"
        self.size: tuple[int, int] | None = None
        self.foreign: moderngl.Texture | None = None
        self._planar = False
        self._matrix = b""

    @property
    def texture(self) -> moderngl.Texture:
        """Texels, with a black rim of one before the picture and two after it."""
        texture: moderngl.Texture = self._kept[0]
        return texture

    @property
    def lifted(self) -> bool:
        """True when texels hold light with black level and brightness in it; codes have neither."""
        return self._stored != "codes"

    def set_light(self, light: np.ndarray[Any, Any]) -> None:
        """(256,) linear light of code values."""
        self._light.write(light.astype(np.float32).tobytes())

    def fits(self, size: tuple[int, int], *, planar: bool) -> bool:
        """True when there is room for a picture of this size, as planes or not."""
        return self.size == size and self._planar == planar

    def resize(self, size: tuple[int, int], frame_size: tuple[int, int], *, planar: bool = False) -> None:
        """Give up the picture for one of another size.

        Raises
        ------
        DeviceError
            The GPU takes none of this size, or no frame of that size.
        """
        largest = int(self._context.info["GL_MAX_TEXTURE_SIZE"])
        rim = largest - _RIM_PX
        most = (rim, rim) if self._computes else (min(largest // 3, rim), min(largest // 2, rim))
        if size[0] > most[0] or size[1] > most[1] or max(frame_size) > largest:
            raise DeviceError(
                f"a picture of {size[0]} x {size[1]} is more than this GPU takes. Make it at most {most[0]} wide and "
                f"{most[1]} high."
            )
        self.release()
        self.size, self._planar = size, planar

    def room(self, stored: Stored) -> None:
        """Texels of this kind from now on; the picture has to be decoded again if that is new."""
        assert self.size is not None  # see `resize`
        size = texture_size(self.size)
        if self._kept and self._stored == stored:
            return
        self._release_texels()
        if stored == "codes":
            texture = self._context.texture(size, 4, internal_format=SRGB8_ALPHA8)
        else:
            texture = self._context.texture(size, 4, dtype="f4" if stored == "whole" else "f2")
            if stored == "whole":
                self.without_filter(texture)
        texture.repeat_x = texture.repeat_y = False
        self._kept, self._stored = [texture, self._context.framebuffer([texture])], stored

    def load(self, picture: AnyPicture) -> None:
        """Take the picture's bytes and decode them."""
        assert self.size is not None  # see `resize`
        if self._upload is None:
            stored = self._reads_storage or (self._computes and self.lifted)
            self._upload = open_upload(self._context, self.size, planar=self._planar, stored=stored)
        if isinstance(picture, YuvPicture):
            self._matrix = _matrix_bytes(picture.luma, picture.full_range)
        self._upload.write(
            np.ascontiguousarray(picture.planes if isinstance(picture, YuvPicture) else checked(picture))
        )
        self.foreign = None
        self.decode()

    def load_texture(self, texture: moderngl.Texture, *, bottom_up: bool) -> None:
        """Decode somebody's texture."""
        self.foreign = texture
        self._program("texture")["bottom_up"] = bottom_up
        self.decode()

    def decode(self) -> None:
        """Decode what was loaded, once more."""
        source = self._upload if self.foreign is None else self.foreign
        assert source is not None  # one or the other was loaded
        texture, frame = self._kept
        what = "texture" if self.foreign is not None else "planes" if self._planar else "bytes"
        computed = isinstance(source, StorageUpload) and self._computes and self.lifted
        if isinstance(source, StorageUpload):
            what += "_computed" if computed else "_stored"
        if what in ("planes", "planes_stored"):
            self._join_chroma(what)
        program = self._sized_program(what)
        if "to_rgb" in program:
            program["to_rgb"].write(self._matrix)
        source.use(UNITS["codes"])
        self._light.use(UNITS["light"])
        if computed:
            self._compute(program, texture)
            return
        frame.use()
        self._context.viewport = (0, 0, *texture.size)
        if self._curve_can_go:
            self._context.disable_direct(_FRAMEBUFFER_SRGB)
        self._calls[f"{what} {self._stored == 'codes'}"].render(moderngl.TRIANGLES, vertices=3)
        if self._curve_can_go:  # others who draw here may count on it
            self._context.enable_direct(_FRAMEBUFFER_SRGB)

    def without_filter(self, texture: moderngl.Texture) -> None:
        """ES need not filter whole floats, and takes a texture that asks for it as black; our texts do not ask."""
        if self._es:
            texture.filter = (moderngl.NEAREST, moderngl.NEAREST)

    def release(self) -> None:
        """Free the picture; another one may be loaded."""
        if self._upload is not None:
            self._upload.release()
        self._upload = None
        self._release_texels()

    def close(self) -> None:
        """Free everything."""
        self.release()
        for item in (self._light, *self._calls.values(), *self._programs.values()):
            item.release()

    def prepare(self, *, to_codes: bool) -> None:
        """Compile what the first picture of any kind will need."""
        computed = self._computes and not to_codes
        kind = "_computed" if computed else "_stored" if self._reads_storage else ""
        for what in ("bytes", "planes") if computed else ("bytes", "planes", "chroma"):
            self._program(what + kind, to_codes=to_codes)
        if not to_codes:
            self._program("texture", to_codes=False)

    def _program(self, what: str, *, to_codes: bool | None = None) -> Any:
        to_codes = (self._stored == "codes" if to_codes is None else to_codes) and not what.startswith("chroma")
        key = f"{what} {to_codes}"
        if key not in self._programs:
            made: Any
            if what.endswith("_computed"):
                made = self._context.compute_shader(decode_shaders.computed(what.removesuffix("_computed")))
            else:
                curved = self._es and not self._curve_can_go
                of, stored = what.removesuffix("_stored"), what.endswith("_stored")
                text = decode_shaders.drawn(of, to_codes=to_codes, es=self._es, curved=curved, from_storage=stored)
                made = drawing_program(self._context, text)
                self._calls[key] = self._context.vertex_array(made, [])
            for name in set(UNITS) & set(made):
                made[name] = UNITS[name]
            self._programs[key] = made
        return self._programs[key]

    def _sized_program(self, what: str) -> Any:
        """A program that knows the picture's size."""
        assert self.size is not None  # a picture is loaded
        program = self._program(what)
        program["size"] = self.size
        if "row_bytes" in program:
            program["row_bytes"] = self.size[0] if self._planar else 3 * self.size[0]
        return program

    def _compute(self, program: Any, texture: moderngl.Texture) -> None:
        texture.bind_to_image(0, read=False, write=True)
        program.run(*(-(-side // GROUP_SIDE) for side in texture.size))
        self._context.memory_barrier(WRITTEN_IMAGE)

    def _join_chroma(self, planes: str) -> None:
        """Make one texture of U and V, and leave it in its unit; for the program of that name."""
        assert self.size is not None  # a picture is loaded
        assert self._upload is not None
        size = self.size[0] // 2, self.size[1] // 2
        if not self._chroma:
            texture = self._context.texture(size, 2, dtype="f2")
            texture.repeat_x = texture.repeat_y = False
            self._chroma = [texture, self._context.framebuffer([texture])]
        texture, frame = self._chroma
        what = planes.replace("planes", "chroma")
        self._sized_program(what)
        self._upload.use(UNITS["codes"], UNITS["chroma"])
        frame.use()
        self._context.viewport = (0, 0, *size)
        self._calls[f"{what} False"].render(moderngl.TRIANGLES, vertices=3)
        texture.use(UNITS["chroma"])

    def _release_texels(self) -> None:
        for item in (*reversed(self._kept), *reversed(self._chroma)):
            item.release()
        self._kept, self._chroma = [], []


class StorageUpload:
    """Bytes in buffers that shaders read."""

    def __init__(self, context: moderngl.Context, count: int) -> None:
        size = -(-count // _WORD_BYTES) * _WORD_BYTES
        self._buffers = [context.buffer(reserve=size, dynamic=True) for _ in range(_IN_FLIGHT)]
        self._now = 0

    def write(self, data: Picture) -> None:
        """Take the bytes of a picture."""
        self._now = (self._now + 1) % _IN_FLIGHT
        self._buffers[self._now].write(data)

    def use(self, *_units: int) -> None:
        """Make the newest bytes the source of the next decode."""
        self._buffers[self._now].bind_to_storage_buffer(STORAGE_BINDING)

    def release(self) -> None:
        """Free the buffers."""
        for buffer in self._buffers:
            buffer.release()


class TextureUpload:
    """Bytes in textures of one channel, for shaders that cannot read buffers: one, or luma and chroma.

    Several of each take turns: a driver may wait before it writes into one that the last frame may still be read from.
    """

    def __init__(self, context: moderngl.Context, sizes: list[tuple[int, int]]) -> None:
        self._turns = [[context.texture(size, 1, alignment=1) for size in sizes] for _ in range(_IN_FLIGHT)]
        for texture in chain(*self._turns):
            texture.filter = (moderngl.NEAREST, moderngl.NEAREST)
        self._counts = [width * height for width, height in sizes]

    def write(self, data: Picture) -> None:
        """Take the bytes of a picture."""
        self._turns.append(self._turns.pop(0))
        parts = np.split(data.reshape(-1), np.cumsum(self._counts)[:-1])
        for part, texture in zip(parts, self._turns[0], strict=True):
            texture.write(part, alignment=1)

    def use(self, *units: int) -> None:
        """Make the textures the source of the next decode."""
        for texture, unit in zip(self._turns[0], units, strict=False):
            texture.use(unit)

    def release(self) -> None:
        """Free the textures."""
        for texture in chain(*self._turns):
            texture.release()


def open_upload(
    context: moderngl.Context, size: tuple[int, int], *, planar: bool, stored: bool
) -> StorageUpload | TextureUpload:
    """Room for pictures (width, height) as RGB or as planes; `stored` where those who decode them can read buffers."""
    info: dict[str, Any] = context.info
    width, height = size
    count = width * height * 3 // (2 if planar else 1)
    if stored and count <= int(info.get("GL_MAX_SHADER_STORAGE_BLOCK_SIZE", _ES_BLOCK_BYTES)):
        return StorageUpload(context, count)
    return TextureUpload(context, [size, (width // 2, height)] if planar else [(3 * width, height)])


def fragments_read_storage(context: moderngl.Context) -> bool:
    """True where fragment shaders had better read buffers; ES 3.1 leaves open whether they can, so that is tried."""
    if is_software(context):
        return False
    if not is_es(context):
        return context.version_code >= COMPUTE_VERSION
    text = GLSL_FRAGMENT_STORAGE + _READS_STORAGE
    try:
        drawing_program(context, text).release()
    except moderngl.Error:
        return False
    return True
