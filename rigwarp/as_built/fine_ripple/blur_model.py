"""What the stripes of two directions lose, and by what: the equations behind `fine_ripple`.

Of a stripe pattern of period P, blur of variance C (pixels^2, along the direction across which the stripes run) leaves
exp(-2 pi^2 C / P^2). A sinusoidal ripple, which spreads light by +-d pixels and lets it linger at both ends, leaves
J0(2 pi d / P): the characteristic function of the arcsine distribution, the same to first order with C = d^2 / 2.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import j0, j1

from rigwarp.as_built.fine_ripple.blur_paths import BlurPaths
from rigwarp.decode import Modulation
from rigwarp.geometry import Array, BoolArray

PUPIL_MM, FOCUS_SHARE = (0.6, 0.6), 0.3
"""Sigma of the projector's pupil, expected and 1-sigma (2.5 mm wide, up to twice that and more), and by what share of
its best value the focus may be off. Common practice, as all of the following."""
CAUSES = (
    (0.5, 0.5),  # camera pixels^2: the camera's blur, of 0.7 px
    (0.6, 0.5),  # px^2: the projector lens's own blur and its pixels, all around
    *((0.0, 0.1),) * 5,  # px^2: how that varies over the picture, to the second order
    (0.0, 0.25),  # px^2: its astigmatism, along u less along v: that of 0.5 px one way and none the other
    *((0.0, 0.1),) * 5,  # px^2: how that varies
)
"""What else blurs, in proportion: expected and 1-sigma."""
TILES = 6
"""Per side of the picture: whole tiles tell what neighbours share."""

_MOST_TURN = 2.0  # of the argument of J0, which is zero at 2.4: nothing is left to be measured there
_SMALL_TURN = 1e-3


@dataclass(frozen=True, kw_only=True)
class BlurRule:
    """Weights (2, K) that make of -ln(modulation) the blur's variance along u less that along v, and their mean.

    Least squares on -ln M = loss + 2 pi^2 C / P^2: the loss is common to all periods of both directions (light from all
    around, the projector's curve), the C of the two directions differ.
    """

    periods_u_px: Array
    periods_v_px: Array
    weights_u: Array
    weights_v: Array

    @classmethod
    def of(cls, periods_u_px: Array, periods_v_px: Array) -> "BlurRule":
        """For stripes of these periods (K,), two or more each."""
        rate_u, rate_v = (2.0 * np.pi**2 / np.asarray(p, float) ** 2 for p in (periods_u_px, periods_v_px))
        rate = np.concatenate([rate_u, rate_v])
        rows = np.stack([0.5 * np.concatenate([rate_u, -rate_v]), rate, np.ones(len(rate))], axis=-1)
        weights = np.linalg.pinv(rows)[:2]
        return cls(
            periods_u_px=np.asarray(periods_u_px, float),
            periods_v_px=np.asarray(periods_v_px, float),
            weights_u=weights[:, : len(rate_u)],
            weights_v=weights[:, len(rate_u) :],
        )

    def blur(self, modulation_u: Array, modulation_v: Array) -> Array:
        """(n, 2) px^2 of modulations (n, K) each."""
        return np.asarray(-np.log(modulation_u) @ self.weights_u.T - np.log(modulation_v) @ self.weights_v.T)


def ripple_loss(square_px2: Array, periods_px: Array) -> tuple[Array, Array]:
    """-ln of the modulation that a sinusoidal ripple leaves, and its derivative.

    Parameters
    ----------
    square_px2 : (n,) squared rms spread: half the square of the greatest. Below zero, where a fit may step, the loss
        goes on in proportion.
    periods_px : (K,) of the stripes.

    Returns
    -------
    loss, by_square : (n, K)
        -ln J0(2 pi d / P) with d = sqrt(2 square); its derivative by the square, 1 / px^2. Held where little is left.
    """
    factor = 8.0 * np.pi**2 / np.asarray(periods_px, float) ** 2
    below = np.minimum(square_px2[:, None], 0.0) * factor
    turn = np.minimum(np.sqrt(np.maximum(square_px2[:, None], 0.0) * factor), _MOST_TURN)
    left = j0(turn)
    # d(-ln J0(t)) / d(t^2) = J1(t) / (2 t J0(t)), a quarter at t = 0
    slope = np.where(turn > _SMALL_TURN, j1(turn) / (2.0 * np.maximum(turn, _SMALL_TURN) * left), 0.25)
    return 0.25 * below - np.log(left), slope * factor


@dataclass(frozen=True, kw_only=True)
class BlurCells:
    """What n cells of one zone show, and the light path there: the blur is a nearly linear function of x = (square of
    the rms slope mrad^2, pupil mm, focus px per mm, causes...).

    Attributes
    ----------
    blur_px2 : (n, 2) variance of the blur along u less that along v, and the mean of both.
    place : (n, 2) in the picture, -1..1 over the zone.
    paths : the light path at each.
    rule : how the blurs were made of modulations.
    """

    blur_px2: Array
    place: Array
    paths: BlurPaths
    rule: BlurRule

    @classmethod
    def of(cls, modulation: Modulation, paths: BlurPaths) -> "BlurCells":
        """The cells of one zone; those without a light path are left out."""
        rule = BlurRule.of(modulation.periods_u_px, modulation.periods_v_px)
        with np.errstate(divide="ignore", invalid="ignore"):
            blur = rule.blur(modulation.u, modulation.v)
        low, high = modulation.pixels_px.min(axis=0), modulation.pixels_px.max(axis=0)
        place = 2.0 * (modulation.pixels_px - low) / np.maximum(high - low, 1e-9) - 1.0
        known: BoolArray = np.asarray(np.isfinite(blur).all(axis=-1))
        for values in (paths.by_camera, paths.by_pupil, paths.by_slope):
            known &= np.isfinite(values).all(axis=(1, 2))
        return cls(blur_px2=blur[known], place=place[known], paths=paths.only(known), rule=rule)

    @property
    def tile(self) -> NDArray[np.int64]:
        """(n,) number of the part of the picture."""
        column, row = np.clip((0.5 * TILES * (self.place + 1.0)).astype(np.int64), 0, TILES - 1).T
        return np.asarray(row * TILES + column)

    @cached_property
    def causes(self) -> Array:
        """(n, 2, c) what a unit of each of `CAUSES` makes of the blur."""
        x, y = self.place.T
        field = np.stack([np.ones_like(x), x, y, x * x - 1.0 / 3.0, x * y, y * y - 1.0 / 3.0], axis=-1)
        none = np.zeros_like(field)
        seen = _two(np.sum(self.paths.by_camera**2, axis=-1))
        parts = [seen[..., None], np.stack([none, field], axis=1), np.stack([field, none], axis=1)]
        return np.concatenate(parts, axis=-1)

    @cached_property
    def prior(self) -> tuple[Array, Array]:
        """(3 + c,) of x, expected and 1-sigma: a focus where the whole picture is sharpest, any slope."""
        focus = 0.5 * float(np.median(self.paths.by_pupil[:, 0, 0] + self.paths.by_pupil[:, 1, 1]))
        beam = [[0.0, np.inf], PUPIL_MM, [focus, max(FOCUS_SHARE * abs(focus), 1e-3)]]
        expected, tolerance = np.array([*beam, *CAUSES]).T
        return expected, tolerance

    def at(self, x: Array, direction: Array) -> tuple[Array, Array]:
        """Residual (n, 2) px^2 and derivatives of the model (n, 2, 3 + c), for a ripple along a unit vector (2,)."""
        unit, rule = (1e-3 * self.paths.by_slope @ direction) ** 2, self.rule
        ripple = by_square = np.zeros(unit.shape)
        for square, periods, weights in zip(
            unit.T, (rule.periods_u_px, rule.periods_v_px), (rule.weights_u, rule.weights_v), strict=True
        ):
            loss, by = ripple_loss(x[0] * square, periods)
            ripple, by_square = ripple + loss @ weights.T, by_square + by @ weights.T * square[:, None]
        free = self.paths.by_pupil - x[2] * np.eye(2)
        beam = _two(np.sum(free**2, axis=-1))
        turned = _two(np.diagonal(free, axis1=1, axis2=2))
        slopes = np.stack([by_square, 2.0 * x[1] * beam, -2.0 * x[1] ** 2 * turned], axis=-1)
        left = self.blur_px2 - (ripple + x[1] ** 2 * beam + self.causes @ x[3:])
        return left, np.concatenate([slopes, self.causes], axis=-1)


def _two(along: Array) -> Array:
    """(n, 2) difference and mean of what (n, 2) is along u and v."""
    return np.stack([along[:, 0] - along[:, 1], 0.5 * (along[:, 0] + along[:, 1])], axis=-1)
