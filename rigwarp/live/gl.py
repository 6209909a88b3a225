"""The GPU renderer: one draw per frame, by OpenGL 3.3."""

import sys
from typing import Any

import moderngl
import numpy as np

from rigwarp.errors import DeviceError
from rigwarp.live.picture import Picture, checked
from rigwarp.live.sampling import SampleMap, sample_map
from rigwarp.live.shaders import FRAGMENT, VERTEX
from rigwarp.prewarp import Prewarp

SOFTWARE_RENDERERS = ("llvmpipe", "softpipe", "swrast", "gdi generic", "basic render")
"""Parts of GL_RENDERER that tell an OpenGL computed by the CPU; OpenCV is faster there."""
GL_PACKAGES = "on Debian and Ubuntu: apt install libgl1 libegl1 libgl1-mesa-dri"
_PICTURE_UNIT, _PLACE_UNIT, _STEPS_UNIT = 0, 1, 2


def standalone_context() -> moderngl.Context:
    """An OpenGL context without a window.

    Raises
    ------
    DeviceError
        When there is no OpenGL 3.3.
    """
    windowless: dict[str, Any] = {"backend": "egl"} if sys.platform.startswith("linux") else {}
    try:
        return moderngl.create_context(require=330, standalone=True, **windowless)
    except Exception as error:  # moderngl raises bare exceptions when libGL or libEGL is missing
        raise gl_missing(error) from error


def gl_missing(error: Exception) -> DeviceError:
    """The error to show when moderngl or the window could not be given OpenGL."""
    return DeviceError(f"OpenGL 3.3 is not available ({' '.join(str(error).split())[:120]}); {GL_PACKAGES}")


def is_software(context: moderngl.Context) -> bool:
    """True when this OpenGL runs on the CPU."""
    return any(name in str(context.info["GL_RENDERER"]).lower() for name in SOFTWARE_RENDERERS)


class GlRenderer:
    """`Renderer` on the GPU; `draw` puts the frame straight into a window."""

    def __init__(self, prewarp: Prewarp, context: moderngl.Context | None = None) -> None:
        self._prewarp = prewarp
        self._own_context = context is None
        self._context = standalone_context() if context is None else context
        self._program = self._context.program(vertex_shader=VERTEX, fragment_shader=FRAGMENT)
        self._draw_call = self._context.vertex_array(self._program, [])
        self._picture: moderngl.Texture | None = None
        self._maps: list[moderngl.Texture] = []
        self._frame: moderngl.Framebuffer | None = None
        self._open = True
        for name, unit in (("picture", _PICTURE_UNIT), ("place", _PLACE_UNIT), ("steps", _STEPS_UNIT)):
            self._program[name] = unit
        self._program["rows"] = prewarp.projector_resolution[1]
        self._program["gamma"] = 0.0 if prewarp.transfer == "srgb" else float(prewarp.transfer)

    @property
    def name(self) -> str:
        """What OpenGL calls its renderer."""
        return str(self._context.info["GL_RENDERER"])

    def render(self, picture: Picture) -> Picture:
        """See `Renderer`."""
        width, height = self._prewarp.projector_resolution
        if self._frame is None:
            self._frame = self._context.framebuffer([self._context.texture((width, height), 4)])
        self.load(picture)
        self.draw(self._frame)
        data = np.frombuffer(self._frame.read(components=3, alignment=1), np.uint8)
        return np.ascontiguousarray(data.reshape(height, width, 3)[::-1])

    def load(self, picture: Picture) -> None:
        """Take a picture to the GPU; it is drawn until the next one comes."""
        picture = checked(picture)
        size = (picture.shape[1], picture.shape[0])
        if self._picture is None or self._picture.size != size:
            self._resize(size)
        assert self._picture is not None  # _resize has made it
        self._picture.write(np.ascontiguousarray(picture), alignment=1)

    def draw(self, target: moderngl.Framebuffer) -> None:
        """Draw the frame into a framebuffer of the projector's native size; the picture must be loaded."""
        if self._picture is None:
            raise ValueError("no picture has been loaded")
        target.use()
        self._context.viewport = (0, 0, *self._prewarp.projector_resolution)
        self._context.disable(moderngl.BLEND | moderngl.DEPTH_TEST | moderngl.CULL_FACE)
        self._picture.use(_PICTURE_UNIT)
        for texture, unit in zip(self._maps, (_PLACE_UNIT, _STEPS_UNIT), strict=True):
            texture.use(unit)
        self._draw_call.render(moderngl.TRIANGLES, vertices=3)

    def close(self) -> None:
        """Free textures, program and, if it is our own, the context."""
        if not self._open:
            return
        self._open = False
        self._release_picture()
        if self._frame is not None:
            self._frame.color_attachments[0].release()
            self._frame.release()
        self._draw_call.release()
        self._program.release()
        if self._own_context:
            self._context.release()

    def _resize(self, size: tuple[int, int]) -> None:
        """Make room for pictures of another size, and look up where each projector pixel finds itself in them."""
        largest = int(self._context.info["GL_MAX_TEXTURE_SIZE"])
        if max(*size, *self._prewarp.projector_resolution) > largest:
            raise DeviceError(f"a picture of {size[0]} x {size[1]} is more than this GPU takes ({largest} a side)")
        self._release_picture()
        self._picture = self._context.texture(size, 3, alignment=1)
        self._maps = [self._map_texture(data) for data in _map_data(sample_map(self._prewarp, size))]

    def _map_texture(self, data: np.ndarray[Any, np.dtype[np.float32]]) -> moderngl.Texture:
        texture = self._context.texture(self._prewarp.projector_resolution, 4, data.tobytes(), dtype="f4")
        texture.filter = (moderngl.NEAREST, moderngl.NEAREST)
        return texture

    def _release_picture(self) -> None:
        for texture in (self._picture, *self._maps):
            if texture is not None:
                texture.release()
        self._picture, self._maps = None, []


def _map_data(samples: SampleMap) -> tuple[np.ndarray[Any, np.dtype[np.float32]], ...]:
    """The two textures of the shader: place (H, W, 4) and steps (H, W, 4)."""
    taps = samples.taps.astype(np.float32)
    place = np.dstack([samples.position_px, samples.gain, taps])
    along_u, along_v = samples.step_px[..., 0], samples.step_px[..., 1]
    return place.astype(np.float32), np.dstack([along_u, along_v]).astype(np.float32)
