"""The warp for other people's programs: `rigwarp.load_warp(rig)`."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rigwarp.errors import InputError
from rigwarp.files import (
    RigFolder,
    current_result,
    open_rig,
    read_adjustment,
    read_map,
    read_map_light,
    read_prewarp,
)
from rigwarp.files.names import ADJUST_FILE, MAP_FILE, PREWARP_FILE
from rigwarp.files.rig_changes import changes_since
from rigwarp.live.render.cpu import CpuRenderer
from rigwarp.live.render.picture import Picture
from rigwarp.live.render.warp import Warp, warp_of
from rigwarp.prewarp import UNCHANGED, Prewarp, build_prewarp
from rigwarp.rig import Rig

if TYPE_CHECKING:
    import moderngl

    from rigwarp.live.render.gl import GlRenderer


@dataclass(frozen=True, kw_only=True)
class MeasuredWarp:
    """A warp, and what people should know of it; empty for nothing."""

    prewarp: Prewarp
    note: str


def measured_warp(folder: RigFolder) -> MeasuredWarp:
    """The warp of the live result; made anew from its map where only the content or gamma of rig.toml has changed.

    Raises
    ------
    InputError
        If there is no usable result, or rig.toml has changed so that its map no longer holds.
    """
    result = current_result(folder.root)
    changed = changes_since(folder, result)
    if changed.of_map:
        raise InputError(
            f"{folder.root}: {' and '.join(changed.of_map)} in rig.toml changed since the result {result.name} was "
            f"made, and its map no longer holds. Measure again: rigwarp calibrate {folder.root}"
        )
    prewarp = read_prewarp(result / PREWARP_FILE, make_with=f"Make it with: rigwarp fit {folder.root}")
    if not changed.of_warp:
        return MeasuredWarp(prewarp=prewarp, note="")
    what = f"{' and '.join(changed.of_warp)} in rig.toml changed since the result {result.name} was made"
    table_map, light = read_map(result / MAP_FILE)[0], read_map_light(result / MAP_FILE)
    if light is None:
        raise InputError(f"{folder.root}: {what}. Fit the scan again: rigwarp fit {folder.root}")
    fresh = build_prewarp(table_map, folder.rig.content, folder.rig.projector.transfer, light=light)
    return MeasuredWarp(
        prewarp=fresh, note=f"{what}: its warp is made anew each time. To keep it: rigwarp fit {folder.root}"
    )


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
    path = folder.root / ADJUST_FILE
    adjustment = read_adjustment(path)[0] if path.exists() else UNCHANGED
    return LoadedWarp(warp_of(prewarp, folder.rig.content, adjustment=adjustment), folder.rig, dither=dither)
