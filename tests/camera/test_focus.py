"""The live sharpness number: closed form of a blurred edge, and what must not change it: light and noise."""

import cv2
import numpy as np
import pytest

from rigwarp.camera.focus import FocusMeter, gradient_energy

SIZE = 240


def edges(blur_px: float, *, light: float = 0.8) -> np.ndarray:
    """Dark and bright stripes of 40 pixels, blurred, as a share of full scale."""
    row = np.where(np.arange(20 * SIZE) // 800 % 2, light, 0.1 * light)
    return np.tile(cv2.GaussianBlur(row[None], (0, 0), 20.0 * blur_px)[:, ::20], (SIZE, 1))


def photo(scene: np.ndarray, rng: np.random.Generator, *, electrons: float = 4000.0) -> np.ndarray:
    """16 bit with photon noise."""
    return np.clip(rng.poisson(scene * electrons) / electrons * 65535, 0, 65535).astype(np.uint16)


def test_a_blurred_edge_has_its_closed_form() -> None:
    """A step C blurred by s has the slope C g(x, s), whose square integrates to C^2 / (2 s sqrt(pi))."""
    blur_px, light = 3.0, 0.8
    scene = (edges(blur_px, light=light) * 65535).astype(np.uint16)
    steps, contrast = 5, 0.9 * light
    expected = steps * contrast**2 / (2.0 * blur_px * np.sqrt(np.pi)) / SIZE / (scene.mean() / 65535) ** 2
    # OpenCV's kernel takes the difference over two pixels, which blurs by another 1 / sqrt(3) of a pixel
    assert gradient_energy(scene, scene) == pytest.approx(expected, rel=0.05)


def test_neither_light_nor_noise_counts_as_sharp() -> None:
    rng = np.random.default_rng(1)
    clean = (edges(2.0) * 65535).astype(np.uint16)
    wanted = gradient_energy(clean, clean)
    for light in (0.8, 0.2, 0.05):
        scene = edges(2.0, light=light)
        first, second = photo(scene, rng), photo(scene, rng)
        assert gradient_energy(first, second) == pytest.approx(wanted, rel=0.03)
    assert gradient_energy(first, first) > 1.3 * wanted  # the plain square calls noise sharp


def test_the_best_is_told_through_the_focus() -> None:
    rng = np.random.default_rng(2)
    meter = FocusMeter()
    told = []
    for blur in (5.0, 4.0, 3.0, 2.0, 3.0, 4.0):
        for _ in range(4):
            found = meter.look(photo(edges(blur), rng))
        assert found is not None
        told.append(found)
    assert [round(100 * one.now / one.best) for one in told[:4]] == [100] * 4
    assert told[3].best == told[5].best
    assert told[5].words.startswith("sharpness")
    assert 0.35 < told[5].now / told[5].best < 0.65  # the energy of an edge falls as 1 / blur: 2 / 4


def test_dark_and_burnt_pictures_say_so() -> None:
    rng = np.random.default_rng(3)
    dark = FocusMeter()
    assert [dark.look(photo(edges(2.0, light=0.001), rng)) for _ in range(3)] == [None] * 3
    bright = FocusMeter()
    found = [bright.look(np.clip(edges(2.0) * 400, 0, 255).astype(np.uint8)) for _ in range(4)][-1]
    assert found is not None
    assert found.burnt
    assert "exposure" in found.words
    same = photo(edges(2.0), rng)
    meter = FocusMeter()
    assert [meter.look(same) for _ in range(3)] == [None] * 3  # one photograph twice tells nothing
