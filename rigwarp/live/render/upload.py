"""The way of a picture's bytes to the GPU.

Measured on a data-centre GPU at 1080p, as a ratio to a plain draw: three buffers in turn that a compute shader reads
1.4 (video planes) and 2.9 (RGB). Without compute shaders, textures written straight from memory 2.3 to 2.6 and 4.0 to
4.6 if nothing reads them; with decoding and drawing, video planes 8 to 9 in one texture, 6.6 in three that take turns.
By way of buffers, orphaned or not, 5 to 6 and 13 without decoding: the driver then copies twice. So where there are
compute shaders the bytes never become a texture, and where there are none they go straight into one.
"""

from itertools import chain
from typing import Any

import moderngl
import numpy as np

from rigwarp.live.render.picture import Picture

STORAGE_BINDING = 1
_IN_FLIGHT = 3
"""The GPU reads one, one waits, one is written."""
_WORD_BYTES = 4


class StorageUpload:
    """Bytes in buffers that compute shaders read."""

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
    """Bytes in textures of one channel, for OpenGL without compute shaders: one, or luma and chroma.

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
    context: moderngl.Context, size: tuple[int, int], *, planar: bool, computed: bool
) -> StorageUpload | TextureUpload:
    """Room for pictures (width, height) as RGB or as planes; `computed` where compute shaders decode them."""
    info: dict[str, Any] = context.info
    width, height = size
    count = width * height * 3 // (2 if planar else 1)
    if computed and count <= int(info.get("GL_MAX_SHADER_STORAGE_BLOCK_SIZE", 0)):
        return StorageUpload(context, count)
    return TextureUpload(context, [size, (width // 2, height)] if planar else [(3 * width, height)])
