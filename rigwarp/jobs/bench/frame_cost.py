"""What a frame costs on this computer, and in which way it is drawn: tried out, without a window."""

import timeit
from contextlib import closing
from dataclasses import dataclass
from typing import Any

import numpy as np

from rigwarp.errors import DeviceError
from rigwarp.live.render.cpu import CpuRenderer
from rigwarp.live.render.gl_context import is_software, standalone_context
from rigwarp.live.render.reference import per_pixel_prewarp
from rigwarp.live.render.warp import Warp, warp_of
from rigwarp.words import short_number

Size = tuple[int, int]
WORDS = {
    "drawn": "the GPU, pixel by pixel from a map",
    "computed": "the GPU's compute shaders, pixel by pixel from a map",
    "meshed": "the GPU, as a mesh",
    "cpu": "the CPU",
}
_CPU_FRAMES, _CPU_SHARE = 3, 2
"""The CPU draws half as wide and half as high a frame, whose time is taken four times."""


@dataclass(frozen=True, kw_only=True)
class FrameCost:
    """One frame of the projector's size, its picture's way to the renderer included.

    Attributes
    ----------
    way : "drawn", "computed" and "meshed" by OpenGL, or "cpu".
    frame_ms : what a frame takes in this way.
    plain_draws : the same in plain draws of a texture of the canvas' size; None for the CPU.
    tried_ms : every way that was exact enough, to within a code value of the reference.
    """

    way: str
    frame_ms: float
    plain_draws: float | None
    tried_ms: dict[str, float]

    @property
    def line(self) -> str:
        """Such as "by the GPU, as a mesh: 1.9 ms a frame, as much as 1.4 plain draws"."""
        plain = "" if self.plain_draws is None else f", as much as {short_number(self.plain_draws, 2)} plain draws"
        return f"by {WORDS[self.way]}: {short_number(self.frame_ms, 2)} ms a frame{plain}"


def frame_cost(resolution: Size, canvas: Size) -> FrameCost:
    """Draw a few frames as `play` would: by OpenGL where a GPU does it, else by the CPU; sizes are (width, height)."""
    try:
        context = standalone_context()
    except DeviceError:
        return _cpu_cost(resolution, canvas)
    import moderngl

    try:
        if not is_software(context):
            return gpu_cost(context, resolution, canvas)
    except (DeviceError, moderngl.Error):
        pass  # a picture larger than its textures, say
    finally:
        context.release()
    return _cpu_cost(resolution, canvas)


def gpu_cost(context: Any, resolution: Size, canvas: Size) -> FrameCost:
    """The renderer's own race, and plain draws beside it."""
    from rigwarp.live.render.gl import GlRenderer

    target = context.framebuffer([context.texture(resolution, 4)])
    renderer = GlRenderer(_spread_warp(resolution, canvas), context)
    try:
        renderer.load(_grey(canvas))
        tried_s = renderer.try_ways(target)
        plain_s = renderer.plain_draw_s(target)
    finally:
        renderer.close()
        target.color_attachments[0].release()
        target.release()
    way = renderer.way
    tried_ms: dict[str, float] = {name: 1e3 * seconds for name, seconds in tried_s.items()}
    return FrameCost(way=way, frame_ms=tried_ms[way], plain_draws=tried_s[way] / plain_s, tried_ms=tried_ms)


def _cpu_cost(resolution: Size, canvas: Size) -> FrameCost:
    width, height = (max(side // _CPU_SHARE, 1) for side in resolution)
    pixels = max(canvas[0] // _CPU_SHARE, 1), max(canvas[1] // _CPU_SHARE, 1)
    warp = _spread_warp((width, height), pixels).sampled("quick")  # as `play` does without a GPU
    picture = _grey(pixels)
    with closing(CpuRenderer(warp)) as renderer:
        seconds = min(timeit.repeat(lambda: renderer.render(picture), number=1, repeat=_CPU_FRAMES))
    frame_ms = 1e3 * _CPU_SHARE**2 * seconds
    return FrameCost(way="cpu", frame_ms=frame_ms, plain_draws=None, tried_ms={"cpu": frame_ms})


def _grey(pixels: Size) -> Any:
    return np.full((pixels[1], pixels[0], 3), 128, np.uint8)


def _spread_warp(resolution: Size, pixels: Size) -> Warp:
    """The canvas over the whole frame, a little bent: before anything is measured, and the dearest case after."""
    width, height = resolution
    v, u = np.mgrid[:height, :width] / np.array([height, width]).reshape(2, 1, 1)
    canvas_px = np.stack([(u + 0.02 * np.sin(3.0 * v)) * pixels[0], (v + 0.02 * np.sin(3.0 * u)) * pixels[1]], axis=-1)
    return warp_of(per_pixel_prewarp(canvas_px, pixels, np.ones((height, width), np.float32)))
