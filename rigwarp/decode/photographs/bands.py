"""Bands along a camera's rows (rolling shutter against the mains or the projector), taken out photograph by photograph.

Every photograph has its own place in the period, so that bands look like other phases of the stripes: waves on the
table that wander with the camera's rows, 0.02 mm of them for 2 %. Either all light is banded (the projector's own
flicker), or only the room's: whichever explains the places better.
"""

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.photographs.even_light import Codes, recoder
from rigwarp.decode.photographs.light_model import Frames, Seen
from rigwarp.decode.photographs.shared_errors import (
    BANDS,
    BLACK_BANDS,
    SHARED,
    Evidence,
    Fitted,
    position_effects,
    weigh,
)
from rigwarp.decode.signal.position import TURN
from rigwarp.decode.signal.response import Response
from rigwarp.geometry import Array

_ROUNDS = 3
_PRIORS = {BANDS: 0.1, BLACK_BANDS: 1.0}  # of all light, of the room's: cheap lamps go out between two half-waves
_BRIGHTEST = 0.99  # of the places in black
_NEARBY, _TRIED = 0.6, 9  # periods in the picture, more and less than the rough one's, that are tried
_ENOUGH = 600  # places: bands are known to some ten-thousandths of the light then


@dataclass(frozen=True, kw_only=True)
class Bands:
    """Bands of F photographs.

    Attributes
    ----------
    index : (F,) of the photographs in the set; only those of waves have bands: no stripe tells those of grey ones.
    waves : (F, 2) cosine and sine along the rows, as shares of all light, or of black's.
    of_black : which of them.
    period_rows : camera rows from band to band.
    sigma_px : what the uncertainty of them does to positions, projector pixels, usually and per axis.
    """

    index: NDArray[np.intp]
    waves: Array
    of_black: bool
    period_rows: float
    sigma_px: float

    def of(self, index: int, rows: int) -> NDArray[np.float32]:
        """(rows, 1) of one photograph of the set; 0 where it is not known."""
        at = np.flatnonzero(self.index == index)
        wave = self.waves[at[0]] if len(at) else np.zeros(2)
        return np.asarray(_banding(np.arange(rows), self.period_rows) @ wave, np.float32)[:, None]


def find_bands(seen: Seen, frames: Frames, shape: tuple[int, ...], period_rows: float) -> Bands:
    """Bands of a roughly known period in photographs (H, W)."""
    seen = seen.only(slice(None, None, max(1, len(seen.light) // _ENOUGH)))
    row = 0.5 * (shape[0] - 1) + seen.aside[:, 1] * 0.5 * np.hypot(shape[0], shape[1])
    found = np.zeros((len(frames.index), SHARED))
    apart = _apart(frames)

    def explained(rate: float, kind: range) -> float:
        banded = replace(seen, banding=_banding(row, 1.0 / rate))
        return _solved(weigh(banded, frames, found, kind), apart, _PRIORS[kind]).fall

    kind = max(_PRIORS, key=lambda one: explained(1.0 / period_rows, one))
    rates = 1.0 / period_rows + np.linspace(-_NEARBY, _NEARBY, _TRIED) / shape[0]
    falls = np.array([explained(float(rate), kind) for rate in rates])
    best = int(np.clip(np.argmax(falls), 1, _TRIED - 2))
    before, here, after = falls[best - 1 : best + 2]
    step = 0.5 * (after - before) / max(2.0 * here - before - after, 1e-12)
    period_rows = 1.0 / float(rates[best] + np.clip(step, -1.0, 1.0) * (rates[1] - rates[0]))
    seen = replace(seen, banding=_banding(row, period_rows))
    for _ in range(_ROUNDS):
        solved = _solved(weigh(seen, frames, found, kind), apart, _PRIORS[kind])
        found[:, kind] += (solved.factors @ apart).reshape(len(found), -1)
    effects = position_effects(seen, frames, found, kind) @ apart.T
    variance = np.einsum("nak,kl,nal->na", effects, solved.covariance, effects, optimize=True)
    return Bands(
        index=frames.index,
        waves=found[:, kind],
        of_black=kind is BLACK_BANDS,
        period_rows=period_rows,
        sigma_px=float(np.sqrt(np.median(variance, axis=0).max())),
    )


def band_pictures(light: NDArray[np.float32], period_rows: float) -> list[NDArray[np.float32]]:
    """(H, W) each, what bands of all light (H, W) and of a room's, which is much the same everywhere, may add to it."""
    if not np.isfinite(period_rows):
        return []
    waves = _banding(np.arange(len(light)), period_rows).astype(np.float32).T[:, :, None]
    return [banded * wave for banded in (light, np.full_like(light, light.mean())) for wave in waves]


def without_bands(
    photos: Sequence[Codes], bands: Bands, black: int, response: Response, pool: Executor
) -> list[NDArray[np.uint16]]:
    """Photographs (H, W) as they would be without; `black` is the number of the black one. In 16 bits, full scale
    stays so."""
    table = np.asarray(response.table(), np.float32)
    dark = np.take(table, photos[black]) if bands.of_black else None
    # so that what gets brighter stays below full scale
    size = float(np.hypot(*bands.waves.T).max())
    scale = np.float32(1.0 - size if dark is None else 1.0 / (1.0 + size * np.quantile(dark, _BRIGHTEST)))
    recoded = recoder(response)

    def one(index: int) -> NDArray[np.uint16]:
        photo = photos[index]
        light, wave = np.take(table, photo), bands.of(index, len(photo))
        if dark is None:
            light *= scale / (1.0 + wave)
        else:
            light -= wave * dark
            light *= scale
        return recoded(light, photo)

    return list(pool.map(one, range(len(photos))))


def _banding(row: Array | NDArray[np.integer], period_rows: float) -> Array:
    angle = TURN * np.asarray(row, float) / period_rows
    return np.stack([np.cos(angle), np.sin(angle)], axis=-1)


def _apart(frames: Frames) -> Array:
    """(m, F k) courses in which photographs of waves differ: bands that all share are each place's own brightness."""
    waves = np.flatnonzero(frames.waves)
    differ = np.linalg.qr(np.eye(len(waves)) - 1.0 / len(waves))[0][:, :-1]
    every = np.zeros((len(waves) - 1, len(frames.index)))
    every[:, waves] = differ.T
    return np.asarray(np.kron(every, np.eye(2)))


def _solved(evidence: Evidence, apart: Array, prior: float) -> Fitted:
    return evidence.fitted(apart, np.full(len(apart), 1.0 / prior**2))
