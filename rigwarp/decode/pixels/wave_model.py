"""Stripes fitted at single pixels by whichever of their photographs are used.

One mean, and per axis position, amplitude and its fall with the period, by least squares for whichever steps of
whichever sinusoids are left; what the scan knows of its own chain (harmonics, how strong each wave is, noise) is taken
from there.
"""

from dataclasses import dataclass, replace

import numpy as np

from rigwarp.decode.photographs.light_model import POSITIONS, UNKNOWNS, Frames, columns, expected_light
from rigwarp.decode.signal.position import TURN
from rigwarp.decode.signal.signal_model import SignalModel
from rigwarp.geometry import Array

_STEPS = 3


@dataclass(frozen=True, kw_only=True)
class WaveModel:
    """What the waves of this scan look like to N pixels.

    Attributes
    ----------
    frames : the waves alone.
    strength : (F,) of each wave's stripes over what their period's usual law says.
    harmonic : (F, 2) of the stripes, cosine and sine of `order` times the phase.
    order : (F,) one less than the steps of a period.
    model : of the scan.
    excess : factor of its variance, as the pixels around a patch show it.
    """

    frames: Frames
    strength: Array
    harmonic: Array
    order: Array
    model: SignalModel
    excess: float = 1.0

    def residual(self, light: Array, state: Array) -> tuple[Array, Array]:
        """(N, F) what is left of light at states (N, UNKNOWNS), and (N, F, UNKNOWNS) derivatives."""
        none = np.zeros(len(self.strength))
        basis = columns(self.frames, none, state)
        stripes = expected_light(self.frames, none, state) - state[:, :1]
        axis, period = self.frames.axis, self.frames.period_px
        angle = TURN * (state[:, POSITIONS][:, axis] / period - self.frames.step_turns)
        amplitude = state[:, [3, 6]][:, axis] + state[:, [4, 7]][:, axis] * self.frames.fall
        more = np.cos(self.order * angle) * self.harmonic[:, 0] + np.sin(self.order * angle) * self.harmonic[:, 1]
        basis[..., 1:] *= self.strength[:, None]
        return light - state[:, :1] - self.strength * stripes - amplitude * more, basis

    def variance(self, state: Array) -> Array:
        """(N, F) of a light value."""
        scale = np.array([axis.variance_scale for axis in self.model.axes])[self.frames.axis]
        shade = self.model.floor + self.model.per_light * np.maximum(state[:, :1], 0.0)
        return np.asarray(self.excess * scale * shade)

    def fitted(self, light: Array, state: Array, used: Array) -> tuple[Array, Array, Array]:
        """States (N, UNKNOWNS) after some steps, what is left (N, F), and the variances of both positions (N, 2)."""
        weight = used / self.variance(state)
        covariance = np.zeros((len(state), UNKNOWNS, UNKNOWNS))
        for _ in range(_STEPS):
            left, basis = self.residual(light, state)
            normal = np.einsum("nfi,nf,nfk->nik", basis, weight, basis, optimize=True)
            size = np.einsum("nii->ni", normal).max(axis=1)
            normal += (1e-12 * size[:, None, None] + np.finfo(float).tiny) * np.eye(UNKNOWNS)
            covariance = np.linalg.inv(normal)
            state = state + np.einsum("nik,nfk,nf->ni", covariance, basis, weight * left, optimize=True)
        left, _ = self.residual(light, state)
        return state, left, np.stack([covariance[:, k, k] for k in POSITIONS], axis=-1)


def wave_model(frames: Frames, model: SignalModel) -> WaveModel:
    """Of `frames` the waves alone."""
    waves = frames.waves
    only = replace(
        frames,
        index=frames.index[waves],
        axis=frames.axis[waves],
        period_px=frames.period_px[waves],
        step_turns=frames.step_turns[waves],
        fall=frames.fall[waves],
    )
    harmonic = np.zeros((len(only.index), 2))
    for f, (axis, period) in enumerate(zip(only.axis, only.period_px, strict=True)):
        error = model.axes[axis].error
        cosine, sine = error.coefficients_turns[error.periods_px.index(period)]
        # a phase error Im(h exp(-i N phase)) comes of stripes Re(h* exp(i (N - 1) phase))
        harmonic[f] = TURN * np.array([-sine, cosine])
    order = np.array([axis.error.order for axis in model.axes])[only.axis] - 1.0
    return WaveModel(frames=only, strength=np.ones(len(harmonic)), harmonic=harmonic, order=order, model=model)


def rough_states(light: Array, position: Array) -> Array:
    """(N, UNKNOWNS) rough states at positions (N, 2)."""
    state = np.zeros((len(light), UNKNOWNS))
    state[:, 0] = np.median(light, axis=1)
    state[:, POSITIONS] = position
    state[:, [3, 6]] = (0.5 * np.ptp(np.quantile(light, (0.15, 0.85), axis=1), axis=0) / 0.9)[:, None]
    return state
