"""What a renderer draws with: a prewarp, the correction by hand on top of it, and how finely to sample."""

from collections.abc import Callable
from dataclasses import astuple, dataclass, field, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array
from rigwarp.live.render.picture import light_of_codes
from rigwarp.live.render.sampling import SampleMap, Sampling, lit_window, sample_map
from rigwarp.prewarp import UNCHANGED, Adjustment, Prewarp
from rigwarp.prewarp.adjustment import adjusted_canvas, adjusted_gain, masked, moves
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

    def kept(self, picture_size: tuple[int, int], name: str, make: Callable[[SampleMap], Made]) -> Made:
        """What a renderer of that name makes of the samples for pictures of one size, kept for the last two sizes.

        No other thread sees it before it is whole. The samples go unless they are part of it: 25 MB at 1080p.
        """
        found: Made | None = self._kept.get(picture_size, {}).get(name)
        if found is None:
            found = make(self.samples(picture_size))
            for old in [size for size in self._kept if size != picture_size][:-1]:
                self._kept.pop(old, None)
            self._kept[picture_size] = {**self._kept.get(picture_size, {}), name: found}
        return found

    def kept_samples(self, picture_size: tuple[int, int]) -> SampleMap:
        """The samples themselves, kept."""
        return self.kept(picture_size, "samples", lambda samples: samples)

    def samples(self, picture_size: tuple[int, int]) -> SampleMap:
        """The sampling positions for pictures of one size (width, height), worked out anew."""
        shown, hidden, prewarp = self.canvas_px, None, self.prewarp
        if self.content is not None:
            adjustment = self.adjustment
            gain = adjusted_gain(prewarp, self.canvas_px, self.content, adjustment)
            prewarp = prewarp if gain is prewarp.gain else replace(prewarp, gain=gain)
            rows, columns = lit_window(self.prewarp.gain)
            lit = slice(max(rows.start - 1, 0), rows.stop + 1), slice(max(columns.start - 1, 0), columns.stop + 1)
            if moves(adjustment):  # most of the picture may be dark, and corrections are the slow part
                corrected: Array = self.canvas_px.astype(float)
                corrected[lit] = adjusted_canvas(corrected[lit], self.content, adjustment)
                shown = corrected
            if adjustment.masks:
                hidden = np.zeros(self.prewarp.gain.shape, bool)
                hidden[lit] = masked(self.canvas_px[lit].astype(float), self.content, adjustment)
        return sample_map(prewarp, picture_size, canvas_px=shown, hidden=hidden, sampling=self.sampling)

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
