"""What a renderer draws with: a prewarp, the correction by hand on top of it, and how finely to sample."""

from collections.abc import Callable
from dataclasses import astuple, dataclass, field, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import InputError
from rigwarp.geometry import Array, BoolArray
from rigwarp.live.render.picture import MAX_SIDE_PX, light_of_codes
from rigwarp.live.render.sampling import SampleMap, Sampler, Sampling, Window
from rigwarp.prewarp import UNCHANGED, Adjustment, Prewarp
from rigwarp.prewarp.adjustment import adjusted_canvas, adjusted_gain, masked
from rigwarp.prewarp.build import mesh_coordinates
from rigwarp.rig import Content

Made = TypeVar("Made")


@dataclass(frozen=True, kw_only=True)
class Warp:
    """A prewarp ready to draw with. Make it with `warp_of`; `adjusted` gives a corrected one cheaply.

    Attributes
    ----------
    prewarp : mesh and gain.
    content : the canvas on the table; None where no correction in millimetres is wanted.
    adjustment : the correction by hand.
    sampling : "fine" or "quick".
    canvas_px : (H, W, 2) canvas pixel under each projector pixel, as measured; NaN where none. As the prewarp keeps it,
        float32: what needs more turns a part at a time, for a whole frame in float64 is 32 MB at 1080p.
    """

    prewarp: Prewarp
    content: Content | None
    adjustment: Adjustment
    sampling: Sampling
    canvas_px: NDArray[np.floating]
    _kept: dict[tuple[int, int], dict[str, Any]] = field(default_factory=dict, repr=False)

    def kept(self, picture_size: tuple[int, int], name: str, make: Callable[[Sampler], Made]) -> Made:
        """What a renderer of that name makes of the samples for pictures of one size, kept for the last two sizes.

        No other thread sees it before it is whole. The samples go unless they are part of it: 60 MB at 1080p.
        """
        found: Made | None = self._kept.get(picture_size, {}).get(name)
        if found is None:
            found = make(self.sampler(picture_size))
            for old in [size for size in self._kept if size != picture_size][:-1]:
                self._kept.pop(old, None)
            self._kept[picture_size] = {**self._kept.get(picture_size, {}), name: found}
        return found

    def kept_samples(self, picture_size: tuple[int, int]) -> SampleMap:
        """The samples themselves, kept."""
        return self.kept(picture_size, "samples", Sampler.samples)

    def samples(self, picture_size: tuple[int, int]) -> SampleMap:
        """The sampling positions for pictures of one size (width, height), worked out anew."""
        return self.sampler(picture_size).samples()

    def sampler(self, picture_size: tuple[int, int]) -> Sampler:
        """What works them out, for a part of the frame at a time.

        Raises
        ------
        InputError
            When a side is longer than MAX_SIDE_PX.
        """
        if max(picture_size) > MAX_SIDE_PX:
            size = f"{picture_size[0]} x {picture_size[1]}"
            raise InputError(f"the picture is {size} pixels, at most {MAX_SIDE_PX} a side")
        gain = self.prewarp.gain
        if self.content is not None:
            gain = adjusted_gain(self.prewarp, self.canvas_px, self.content, self.adjustment)
        return Sampler(
            gain=gain,
            canvas_px=self._shown,
            hidden=self._hidden,
            content_pixels=self.prewarp.content_pixels,
            transfer=self.prewarp.transfer,
            picture_size=picture_size,
            sampling=self.sampling,
        )

    def _shown(self, window: Window) -> Array:
        """(h, w, 2) the canvas pixels to show in a window of the frame."""
        canvas_px = self.canvas_px[window].astype(float)
        return canvas_px if self.content is None else adjusted_canvas(canvas_px, self.content, self.adjustment)

    def _hidden(self, window: Window) -> BoolArray | None:
        """(h, w) which pixels of a window stay black; None: none of them."""
        if self.content is None or not self.adjustment.masks:
            return None
        return masked(self.canvas_px[window].astype(float), self.content, self.adjustment)

    def is_ready_for(self, picture_size: tuple[int, int]) -> bool:
        """True when a renderer has made what it needs for pictures of this size."""
        return picture_size in self._kept

    def light(self) -> NDArray[np.float64]:
        """(256,) linear light of the picture's code values, with brightness and black level."""
        black = self.adjustment.black_level
        return black + (1.0 - black) * self.adjustment.brightness * light_of_codes()

    def sampled(self, sampling: Sampling) -> "Warp":
        """The same warp, sampled more finely or more quickly."""
        return self if sampling == self.sampling else replace(self, sampling=sampling, _kept={})

    def adjusted(self, adjustment: Adjustment) -> "Warp":
        """The same warp under another correction."""
        changes_shape = _shape_of(adjustment) != _shape_of(self.adjustment)
        return Warp(
            prewarp=self.prewarp,
            content=self.content,
            adjustment=adjustment,
            sampling=self.sampling,
            canvas_px=self.canvas_px,
            _kept={} if changes_shape else dict(self._kept),
        )


def warp_of(
    prewarp: Prewarp,
    content: Content | None = None,
    *,
    adjustment: Adjustment = UNCHANGED,
    sampling: Sampling = "fine",
) -> Warp:
    """A warp ready to draw with. A prewarp of an older version is looked up in its mesh here (half a second at 4K)."""
    return Warp(
        prewarp=prewarp,
        content=content,
        adjustment=adjustment,
        sampling=sampling,
        canvas_px=mesh_coordinates(prewarp) if prewarp.canvas_px is None else prewarp.canvas_px,
    )


def as_warp(source: Prewarp | Warp) -> Warp:
    """Renderers take either."""
    return source if isinstance(source, Warp) else warp_of(source)


def _shape_of(adjustment: Adjustment) -> tuple[object, ...]:
    """What changes sampling positions or gain; brightness and black level do not."""
    return astuple(replace(adjustment, brightness=1.0, black_level=0.0))
