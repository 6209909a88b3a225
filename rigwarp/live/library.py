"""The warp for other people's programs: `rigwarp.load_warp(rig)`."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from rigwarp.errors import InputError
from rigwarp.files import open_rig
from rigwarp.files.adjust_file import hand_correction
from rigwarp.live.measured_warp import measured_warp
from rigwarp.live.render.cpu import CpuRenderer
from rigwarp.live.render.picture import Picture
from rigwarp.live.render.warp import Warp, warp_of
from rigwarp.rig import Rig

if TYPE_CHECKING:
    import moderngl

    from rigwarp.live.render.gl import GlRenderer


class LoadedWarp:
    """A rig's warp, on the GPU or the CPU, whichever is asked for. Make it with `load_warp`.

    Attributes
    ----------
    warp : the data behind it.
    rig : what rig.toml says; `rig.content` is the canvas in millimetres.
    resolution : (width, height) of the projector's picture.
    """

    def __init__(self, warp: Warp, rig: Rig, *, dither: bool) -> None:
        self.warp, self.rig, self._dither = warp, rig, dither
        self.resolution = warp.prewarp.projector_resolution
        self._cpu: CpuRenderer | None = None
        self._gpu: GlRenderer | None = None
        self._context: Any = None

    def draw(self, texture: "moderngl.Texture", framebuffer: "moderngl.Framebuffer", *, bottom_up: bool = True) -> None:
        """Draw a texture, warped, into a framebuffer of the projector's native size.

        Parameters
        ----------
        texture : sRGB code values, three or four channels; it fills the content canvas as far as its aspect allows.
        framebuffer : of the same context. It stays bound; blending, depth test and face culling are left off, and
            texture units 0 to 5 are used.
        bottom_up : True for what OpenGL has drawn, False for a picture uploaded with its first row first.

        Raises
        ------
        InputError
            The framebuffer is not of the projector's size.
        """
        from rigwarp.live.render.gl import GlRenderer

        if tuple(framebuffer.size) != self.resolution:
            raise InputError(
                f"found a framebuffer of {framebuffer.size[0]} x {framebuffer.size[1]}, expected the projector's "
                f"{self.resolution[0]} x {self.resolution[1]}. Open the window at the native size."
            )
        if self._gpu is None or self._context is not texture.ctx:
            self._close_gpu()
            self._gpu, self._context = GlRenderer(self.warp, texture.ctx, dither=self._dither), texture.ctx
        self._gpu.load_texture(texture, bottom_up=bottom_up)
        self._gpu.draw(framebuffer)

    def apply(self, image: Picture) -> Picture:
        """The projector's frame (H, W, 3) for an RGB picture (h, w, 3), both 8 bits, computed by the CPU."""
        if self._cpu is None:
            self._cpu = CpuRenderer(self.warp, dither=self._dither)
        return self._cpu.render(image)

    def close(self) -> None:
        """Free what is held on the GPU; calling it twice is fine."""
        self._close_gpu()
        if self._cpu is not None:
            self._cpu.close()
            self._cpu = None

    def _close_gpu(self) -> None:
        if self._gpu is not None:
            self._gpu.close()
            self._gpu = None


def load_warp(rig: Path | str, *, dither: bool = False) -> LoadedWarp:
    """The measured warp of a rig folder, with the correction by hand on top; `dither`: dither between code values.

    Raises
    ------
    InputError
        When the folder is no rig, has no result, rig.toml no longer goes with it, or a file in it is damaged.
    """
    folder = open_rig(rig)
    prewarp = measured_warp(folder).prewarp
    adjustment, _ = hand_correction(folder.root)
    return LoadedWarp(warp_of(prewarp, folder.rig.content, adjustment=adjustment), folder.rig, dither=dither)
