"""What a camera does to its pictures: named, told from movement, and nothing that decodes well is lost to it.

JPEG and the noise reduction that keeps edges are OpenCV's.
"""

import re
from collections.abc import Callable

import cv2
import numpy as np
import pytest
from synthetic_scan import Scene, photograph, smooth_scene

from rigwarp.decode import Decoded, Reason, decode
from rigwarp.errors import MeasurementError
from rigwarp.patterns import fast_set

SHAPE, RESOLUTION = (320, 480), (480, 320)
PATTERNS = fast_set(RESOLUTION, 2.2)
U, V, BRIGHTNESS, AMBIENT = smooth_scene(SHAPE, RESOLUTION)
SCENE = Scene(u_px=U, v_px=V, brightness=BRIGHTNESS, ambient=AMBIENT)
RAW = photograph(SCENE, PATTERNS, rng=np.random.default_rng(3))


def compressed(photo: np.ndarray) -> np.ndarray:
    return cv2.imdecode(cv2.imencode(".jpg", photo, [cv2.IMWRITE_JPEG_QUALITY, 80])[1], cv2.IMREAD_GRAYSCALE)


def smoothed(photo: np.ndarray) -> np.ndarray:
    return cv2.bilateralFilter(photo, -1, 12.0, 1.5)


def banded(rng: np.random.Generator, *, room: float = 0.0) -> Callable[[np.ndarray], np.ndarray]:
    """2 % of all light, or a share `room` of the room's, on a camera with a gamma of 2.2; 64 rows from band to band."""

    def one(photo: np.ndarray) -> np.ndarray:
        band = np.sin(2 * np.pi * (np.arange(SHAPE[0])[:, None] / 64.0 + rng.uniform()))
        light = (photo / 255.0) ** 2.2
        light = np.maximum(light + room * AMBIENT * band, 0.0) if room else light * (1.0 + 0.02 * band)
        return np.clip(np.rint(255.0 * light ** (1 / 2.2) + rng.uniform(-0.5, 0.5, SHAPE)), 0, 254).astype(np.uint8)

    return one


def z_spread(decoded: Decoded) -> float:
    sigma_u, sigma_v = (np.hypot(s, decoded.bands_sigma_px) for s in (decoded.sigma_u_px, decoded.sigma_v_px))
    z = [(decoded.u_px - U) / sigma_u, (decoded.v_px - V) / sigma_v]
    return float(np.nanstd(np.stack(z)))


@pytest.mark.parametrize(
    ("spoil", "words"),
    [(compressed, "compresses"), (smoothed, "noise reduction"), (banded(np.random.default_rng(5)), "64 camera rows")],
    ids=["compression", "smoothing", "bands"],
)
def test_what_the_camera_does_is_named_and_loses_nothing(spoil: Callable[[np.ndarray], np.ndarray], words: str) -> None:
    decoded = decode([spoil(photo) for photo in RAW], PATTERNS)
    (told,) = decoded.processing
    assert words in told
    assert not np.any(decoded.reason == Reason.MOVED)
    assert decoded.moved_share == 0.0
    assert decoded.valid.mean() > 0.97
    assert z_spread(decoded) < 1.3


@pytest.mark.parametrize("room", [0.0, 0.3], ids=["of all light", "of the room's light"])
def test_bands_are_taken_out(room: float) -> None:
    """Errors averaged over 24 columns: of 0.026 and 0.031 px where they stay, noise alone 0.004."""
    spoil = banded(np.random.default_rng(5), room=room)
    decoded = decode([spoil(photo) for photo in RAW], PATTERNS)
    assert "taken out" in decoded.processing[0]
    off = np.where(decoded.valid, decoded.v_px - V, 0.0)
    assert np.std(off.reshape(SHAPE[0], -1, 24).mean(axis=2)) < 0.013
    # what is left is said beside the noise, not as noise
    assert np.std(off.reshape(SHAPE[0], -1, 24).mean(axis=2)) < 3.0 * np.hypot(decoded.bands_sigma_px, 0.004)
    assert 0.0 < decoded.bands_sigma_px < np.nanmedian(decoded.sigma_u_px)
    assert "bands" not in decoded.noise_shares


def followed(photos: list[np.ndarray]) -> list[np.ndarray]:
    """Every photograph as bright on average as white's."""
    light = [(photo / 255.0) ** 2.2 for photo in photos]
    gains = [min(max(one.mean() for one in light) / one.mean(), 8.0) for one in light]
    codes = (255.0 * (one * gain) ** (1 / 2.2) for one, gain in zip(light, gains, strict=True))
    return [np.clip(np.rint(one), 0, 255).astype(np.uint8) for one in codes]


def test_exposure_that_followed_the_picture_is_made_up_for_unless_stripes_burn_out() -> None:
    dim = Scene(u_px=U, v_px=V, brightness=0.42 * BRIGHTNESS, ambient=0.42 * AMBIENT)
    decoded = decode(followed(photograph(dim, PATTERNS, rng=np.random.default_rng(3))), PATTERNS)
    (times,) = re.findall(r"taken (\S+) times as bright", decoded.corrected[0])
    assert float(times) == pytest.approx(0.5**-2.2, rel=0.1)  # but for the light of black
    assert decoded.modulation is None
    assert decoded.valid.mean() > 0.97
    assert 0.9 < z_spread(decoded) < 1.1
    with pytest.raises(MeasurementError, match=r"exposure.*follows the picture.*burnt out in the stripes"):
        decode(followed(RAW), PATTERNS)


def test_a_camera_that_does_nothing_is_not_blamed() -> None:
    decoded = decode(RAW, PATTERNS)
    assert decoded.processing == ()
    assert decoded.noise_shares == {}
    assert not np.any(np.isin(decoded.reason, (Reason.MOVED, Reason.PASSED_BY)))


def test_dim_flat_surroundings_are_not_smoothing() -> None:
    """What glows a little around the light has little noise, and is flat."""
    column = np.broadcast_to(np.arange(SHAPE[1]), SHAPE)
    dim = np.where(column < 100, 0.06, 1.0)
    scene = Scene(u_px=U, v_px=V, brightness=BRIGHTNESS * dim, ambient=0.004)
    assert decode(photograph(scene, PATTERNS, rng=np.random.default_rng(6)), PATTERNS).processing == ()


def test_a_part_that_moves_is_told_beside_compression() -> None:
    part = np.zeros(SHAPE, bool)
    part[96:224, 160:320] = True
    moved = Scene(u_px=U + 1.5 * part, v_px=V + 1.5 * part, brightness=BRIGHTNESS, ambient=AMBIENT)
    later = photograph(moved, PATTERNS, rng=np.random.default_rng(4))
    decoded = decode([compressed(p) for p in (*RAW[:20], *later[20:])], PATTERNS)
    assert "compresses" in decoded.processing[0]
    assert 0.5 <= decoded.noise_shares["processing"] < 1.0  # compression doubles the variance at least
    assert (decoded.reason[part] == Reason.MOVED).mean() > 0.5
    assert decoded.valid[part].mean() < 0.3
    assert decoded.moved_share == pytest.approx((decoded.reason == Reason.MOVED).mean(), rel=0.1)


def test_other_light_at_the_end_is_not_called_movement() -> None:
    """A shadow over a part of the frames shown twice shifts nothing."""
    dimmed = np.ones(SHAPE)
    dimmed[96:224, 160:320] = 0.7
    dark = photograph(
        Scene(u_px=U, v_px=V, brightness=BRIGHTNESS * dimmed, ambient=AMBIENT * dimmed),
        PATTERNS,
        rng=np.random.default_rng(4),
    )
    decoded = decode([*RAW[:-2], *dark[-2:]], PATTERNS)
    assert not np.any(decoded.reason[104:216, 168:312] == Reason.MOVED)
