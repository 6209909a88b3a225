"""The way of a picture's bytes to the GPU.

Measured on a data-centre GPU at 1080p, as a ratio to a plain draw: three buffers in turn that a compute shader reads
1.4 (video planes) and 2.9 (RGB). Without compute shaders, with decoding, video planes at 1080p and at 4K: buffers that
fragment shaders read 2.2 to 2.4 and 2.2 to 2.3; textures written straight from memory 5 to 7 and 9 to 13; by way of
pixel buffers 4.4 to 4.7 and 3.8 to 4.6; buffers as textures 4.3 to 4.7 and 4.1 to 4.5. So bytes become a texture only
where fragment shaders cannot read buffers, as OpenGL before 4.3 and some of ES 3.1, and in software, where fetching
from textures is quicker.
"""

from itertools import chain
from typing import Any

import moderngl
import numpy as np

from rigwarp.live.render import shader_parts
from rigwarp.live.render.gl_context import COMPUTE_VERSION, is_es, is_software
from rigwarp.live.render.gl_programs import drawing_program
from rigwarp.live.render.picture import Picture

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
    text = shader_parts.GLSL_FRAGMENT_STORAGE + _READS_STORAGE
    try:
        drawing_program(context, text).release()
    except moderngl.Error:
        return False
    return True
