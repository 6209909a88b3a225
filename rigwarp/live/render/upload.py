"""The way of a picture's bytes to the GPU.

Measured on a data-centre GPU at 1080p, as a ratio to a plain draw: three buffers in turn that a compute shader reads
1.4 (video planes) and 2.9 (RGB); one orphaned buffer copied into a texture 4.2 and 7.2; a texture written straight from
memory 5.8 and 7.2. Half of what is left is one core copying the bytes. So where there are compute shaders the bytes
never become a texture.
"""

from typing import Any

import moderngl

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

    def use(self, _unit: int) -> None:
        """Make the newest bytes the source of the next decode."""
        self._buffers[self._now].bind_to_storage_buffer(STORAGE_BINDING)

    def release(self) -> None:
        """Free the buffers."""
        for buffer in self._buffers:
            buffer.release()


class TextureUpload:
    """Bytes in a texture of one channel, for OpenGL without compute shaders."""

    def __init__(self, context: moderngl.Context, size: tuple[int, int]) -> None:
        self._texture = context.texture(size, 1, alignment=1)
        self._texture.filter = (moderngl.NEAREST, moderngl.NEAREST)
        self._buffer = context.buffer(reserve=size[0] * size[1])

    def write(self, data: Picture) -> None:
        """Take the bytes of a picture."""
        self._buffer.orphan()  # the GPU may still be reading the last picture from it
        self._buffer.write(data)
        self._texture.write(self._buffer, alignment=1)

    def use(self, unit: int) -> None:
        """Make the texture the source of the next decode."""
        self._texture.use(unit)

    def release(self) -> None:
        """Free texture and buffer."""
        self._texture.release()
        self._buffer.release()


def open_upload(context: moderngl.Context, size: tuple[int, int], *, computed: bool) -> StorageUpload | TextureUpload:
    """Room for pictures of `size` bytes (per row, rows); `computed` where compute shaders are at hand."""
    info: dict[str, Any] = context.info
    count = size[0] * size[1]
    if computed and count <= int(info.get("GL_MAX_SHADER_STORAGE_BLOCK_SIZE", 0)):
        return StorageUpload(context, count)
    return TextureUpload(context, size)
