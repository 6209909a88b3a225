"""What single places should show in every photograph, and how that changes with its own place and light.

Light of frame n at a place is black + share_n * contrast for the uniform frames, and the same + amplitude cos(phase)
for the waves, with amplitudes that fall with 1 / period^2 as those of blurred stripes do. A camera that has moved by d
sees at p what was at p - d: the phase by d times its gradient less.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.pixels.layout import AxisLayout
from rigwarp.decode.signal.position import TURN
from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.robust import parts_of

_PARTS_ACROSS = 3  # of the picture, along rows and columns
_FEWEST = 30  # places in such a part
UNKNOWNS = 8
"""Of a place: black, contrast, and per axis position, amplitude and how it falls."""
POSITIONS = [2, 5]
"""Which of them are the positions."""


@dataclass(frozen=True, kw_only=True)
class Frames:
    """The F frames that the model explains: all but the bars of a Gray code.

    Attributes
    ----------
    index : (F,) of them in the set.
    axis : (F,) 0 or 1 of a wave, -1 of a uniform frame.
    period_px, step_turns : (F,) of a wave.
    fall : (F,) how an amplitude's fall shows in this period.
    ends : black and white, rows of these arrays.
    """

    index: NDArray[np.intp]
    axis: NDArray[np.intp]
    period_px: Array
    step_turns: Array
    fall: Array
    ends: tuple[int, int]

    @property
    def waves(self) -> BoolArray:
        """(F,) which are waves."""
        return np.asarray(self.axis >= 0)

    def like(self, row: int) -> BoolArray:
        """(F,) which are waves of the period and axis of that row."""
        return np.asarray((self.axis == self.axis[row]) & (self.period_px == self.period_px[row]))

    def sinusoids(self) -> list[NDArray[np.intp]]:
        """Rows of each sinusoid's steps, without frames that are shown again."""
        found: dict[tuple[int, float], dict[float, int]] = {}
        for row in np.flatnonzero(self.waves):
            steps = found.setdefault((int(self.axis[row]), float(self.period_px[row])), {})
            steps.setdefault(float(self.step_turns[row]), int(row))
        return [np.array(list(steps.values())) for steps in found.values()]


def modelled_frames(
    layouts: tuple[AxisLayout, AxisLayout], levels: Mapping[int, int], repeats: list[tuple[int, int]]
) -> Frames:
    """The frames of a set: layouts of both axes, code value -> uniform frame, (first, again) of frames shown twice."""
    rows = dict.fromkeys(levels.values(), (-1, np.inf, 0.0, 0.0))
    for number, layout in enumerate(layouts):
        rates = 1.0 / np.asarray(layout.periods_px) ** 2
        spread = max(float(np.ptp(rates)), 1e-12)
        for k, indices in enumerate(layout.frames):
            fall = float(rates[k] - rates.mean()) / spread
            for step, index in enumerate(indices):
                rows[index] = (number, layout.periods_px[k], step / layout.steps, fall)
    rows |= {again: rows[first] for first, again in repeats if first in rows}
    order = sorted(rows)
    ordered = [rows[number] for number in order]
    return Frames(
        index=np.array(order),
        axis=np.array([row[0] for row in ordered]),
        period_px=np.array([row[1] for row in ordered]),
        step_turns=np.array([row[2] for row in ordered]),
        fall=np.array([row[3] for row in ordered]),
        ends=(order.index(levels[min(levels)]), order.index(levels[max(levels)])),
    )


@dataclass(frozen=True, kw_only=True)
class Seen:
    """N places.

    Attributes
    ----------
    light : (N, F) linear light.
    aside : (N, 2) from the picture's middle, along columns and rows, half diagonals of the picture.
    state : (N, UNKNOWNS) what is seen.
    slope : (N, 2, UNKNOWNS) how that changes per camera pixel along columns and rows.
    shares : (F,) share of the contrast in the mean light of each frame.
    contrast : the usual one, of all the places of a picture.
    banding : (N, 2) cosine and sine of where in a period of bands along the rows each place is; 0 where none are meant.
    """

    light: Array
    aside: Array
    state: Array
    slope: Array
    shares: Array
    contrast: float
    banding: Array

    def parts(self) -> Iterator[BoolArray]:
        """(N,) masks of the places in each part of the picture that has enough of them."""
        parts = parts_of(self.aside, _PARTS_ACROSS)
        for part in range(_PARTS_ACROSS**2):
            here = parts == part
            if np.count_nonzero(here) >= _FEWEST:
                yield here

    def only(self, which: BoolArray | slice) -> "Seen":
        """The places that a mask or a slice picks."""
        return replace(
            self,
            light=self.light[which],
            aside=self.aside[which],
            state=self.state[which],
            slope=self.slope[which],
            banding=self.banding[which],
        )


def columns(frames: Frames, shares: Array, state: Array) -> Array:
    """(N, F, UNKNOWNS) derivatives of the light by what a place sees, at states (N, UNKNOWNS) or (N, F, UNKNOWNS)."""
    state = np.broadcast_to(state[:, None] if state.ndim == 2 else state, (len(state), len(shares), UNKNOWNS))
    found = np.zeros(state.shape)
    found[..., 0] = 1.0
    found[..., 1] = shares
    for number in range(2):
        mine, at = frames.axis == number, 2 + 3 * number
        seen = state[:, mine]
        angle = TURN * (seen[..., at] / frames.period_px[mine] - frames.step_turns[mine])
        amplitude = seen[..., at + 1] + seen[..., at + 2] * frames.fall[mine]
        cosine = np.cos(angle)
        found[:, mine, at] = -amplitude * np.sin(angle) * TURN / frames.period_px[mine]
        found[:, mine, at + 1] = cosine
        found[:, mine, at + 2] = cosine * frames.fall[mine]
    return found


def expected_light(frames: Frames, shares: Array, state: Array) -> Array:
    """(N, F) light at states (N, UNKNOWNS) or (N, F, UNKNOWNS)."""
    derivative = columns(frames, shares, state)
    state = np.broadcast_to(state[:, None] if state.ndim == 2 else state, derivative.shape)
    linear = [0, 1, 3, 4, 6, 7]  # the light is linear in these
    return np.asarray(np.einsum("nfi,nfi->nf", derivative[..., linear], state[..., linear]))


def start_states(frames: Frames, positions_px: Array, light: Array) -> tuple[Array, Array]:
    """(N, UNKNOWNS) states at positions (N, 2) that fit light (N, F) best, and the shares (F,)."""
    black, white = (light[:, end] for end in frames.ends)
    contrast = np.maximum(white - black, 1e-6)
    shares = np.median((light - black[:, None]) / contrast[:, None], axis=0)
    shares[frames.waves] = shares[frames.waves].mean()
    state = np.zeros((len(light), UNKNOWNS))
    state[:, [2, 5]] = positions_px
    linear = [0, 1, 3, 4, 6, 7]
    design = columns(frames, shares, state)[..., linear]
    state[:, linear] = _least_squares(design, light)
    return state, shares


def settled(frames: Frames, shares: Array, state: Array, light: Array, passes: int = 1) -> Array:
    """(N, UNKNOWNS) states after so many steps of Gauss and Newton towards light (N, F)."""
    for _ in range(passes):
        left = light - expected_light(frames, shares, state)
        state = state + _least_squares(columns(frames, shares, state), left)
    return state


def _least_squares(design: Array, values: Array) -> Array:
    """(N, k) solutions of N small problems (N, F, k), (N, F)."""
    normal = np.swapaxes(design, 1, 2) @ design
    index = np.arange(normal.shape[-1])
    normal[:, index, index] += 1e-9 * (1.0 + normal[:, index, index])
    return np.asarray(np.linalg.solve(normal, np.swapaxes(design, 1, 2) @ values[..., None])[..., 0])
