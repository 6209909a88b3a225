"""A pixel's own light beside a border, against conservation of energy: light per area times the area it falls on."""

import numpy as np
import pytest
from scipy.special import ndtr

from rigwarp.geometry import Array
from rigwarp.table_map import Samples
from rigwarp.table_map.borders.band import Band
from rigwarp.table_map.borders.pixel_light import share_of_light

PERIOD_PX, WAVE_MM, MM_PER_PX = 22.0, 1.1, 0.9
LINE_PX, BEAM_PX = -3.0, 2.6
HALF_PX, REACH_PX, LENGTH_PX = 25.0, 60.0, 300.0


def band() -> Band:
    _, u = np.mgrid[0.0:LENGTH_PX, -REACH_PX : REACH_PX + 1.0]
    edge_px = np.stack([np.zeros(int(LENGTH_PX)), np.arange(LENGTH_PX)], axis=-1)
    return Band(
        zones=(0, 1),
        half_px=HALF_PX,
        corner_px=np.array([-int(REACH_PX), 0]),
        distance_px=u,
        edge_px=edge_px,
        stretch=np.arange(int(LENGTH_PX)) // 25,
    )


def rippled(noise_px: float) -> tuple[Samples, Array, list[Array]]:
    """One zone after the other: crests along the border gather light, and the projector's dims slowly across it."""
    rng = np.random.default_rng(4)
    parts, shares, own = [], [], []
    for second in (False, True):
        u, v = rng.uniform(-REACH_PX, REACH_PX, 30_000), rng.uniform(0.0, LENGTH_PX - 1.0, 30_000)
        phase = 2.0 * np.pi * u / PERIOD_PX
        x, per_px = (
            MM_PER_PX * u + WAVE_MM * np.sin(phase),
            MM_PER_PX + WAVE_MM * np.cos(phase) * 2.0 * np.pi / PERIOD_PX,
        )
        share = ndtr((u - LINE_PX) / BEAM_PX * (1.0 if second else -1.0))
        seen = share > 0.05
        light = share * (1.0 - 0.002 * u) / (per_px * MM_PER_PX)
        pixels = np.stack([u, v], axis=-1) + noise_px * rng.normal(size=(len(u), 2))
        parts.append((pixels[seen], np.stack([x + 200.0 * second, MM_PER_PX * v], axis=-1)[seen], light[seen]))
        shares.append(share[seen])
        own.append(np.full(np.count_nonzero(seen), second))
    pixels, places, light = (np.concatenate(values) for values in zip(*parts, strict=True))
    samples = Samples(
        pixels_px=pixels,
        sigma_px=np.full((len(light), 2), noise_px),
        table_mm=places,
        light=light,
        camera_px=places,
        count=np.ones(len(light), np.int64),
    )
    number = np.concatenate(own)
    return samples, np.concatenate(shares), [~number, number]


@pytest.mark.parametrize("noise_px", [0.0, 0.04])
def test_crests_along_a_border_do_not_change_what_pixels_have(noise_px: float) -> None:
    samples, wanted, own = rippled(noise_px)
    distance = band().distance(samples.pixels_px)
    stretch = band().stretch_of(samples.pixels_px)
    sides = [own[0] & (distance < -HALF_PX), own[1] & (distance > HALF_PX)]
    share = share_of_light(samples, stretch, distance, own, sides, step_px=0.5, per_area=True)
    known = np.isfinite(share)
    assert known.mean() > 0.95
    whole = known & (wanted > 0.99)
    assert np.std(samples.light[whole]) / np.mean(samples.light[whole]) > 0.2  # as the camera sees it
    assert np.std(share[whole]) < 0.06
    assert np.mean(share[whole]) == pytest.approx(1.0, abs=0.02)
    brightness = share_of_light(samples, stretch, distance, own, sides, step_px=0.5, per_area=False)
    assert np.std(brightness[whole]) > 0.2  # of samples that are not per area nothing is divided out
    half = known & (np.abs(wanted - 0.5) < 0.1)
    assert np.mean(share[half] - wanted[half]) == pytest.approx(0.0, abs=0.03)
