"""What is refused, and why: movement, folded light, bad frames as soon as they come; what two exposures rescue."""

from dataclasses import replace

import numpy as np
import pytest
from synthetic_scan import Scene, photograph, smooth_scene

from rigwarp.decode import Decoder, Reason, decode
from rigwarp.decode.pixels.exposures import merge_exposures
from rigwarp.errors import InputError, MeasurementError
from rigwarp.patterns import fast_set, make_set

SHAPE, RESOLUTION = (240, 320), (854, 480)
PATTERNS = fast_set(RESOLUTION, 2.2)
U, V, BRIGHTNESS, AMBIENT = smooth_scene(SHAPE, RESOLUTION)
STILL = Scene(u_px=U, v_px=V, brightness=BRIGHTNESS, ambient=AMBIENT)


def shots(scene: Scene, seed: int = 1, **changes: object) -> list[np.ndarray]:
    return photograph(scene, PATTERNS, rng=np.random.default_rng(seed), **changes)


def test_a_part_that_moved_says_so_and_the_rest_is_kept() -> None:
    """From the second axis on the light has shifted by 1.5 px on a part of the table."""
    part = np.zeros(SHAPE, bool)
    part[80:160, 80:200] = True
    later = shots(replace(STILL, u_px=U + 1.5 * part, v_px=V + 1.5 * part), seed=2)
    photos = [*shots(STILL)[:20], *later[20:]]
    decoded = decode(photos, PATTERNS)
    assert (decoded.reason[part] == Reason.MOVED).mean() > 0.95
    clear = ~part
    clear[72:168, 72:208] = False  # movement is judged by cells of 8 camera pixels
    assert decoded.valid[clear].mean() > 0.999
    assert decoded.moved_share == pytest.approx(part.mean(), rel=0.15)


def test_a_lamp_that_drifts_is_no_movement() -> None:
    """3 % less light at the end than at the beginning."""
    dim = shots(replace(STILL, brightness=0.97 * BRIGHTNESS, ambient=0.97 * AMBIENT), seed=2)
    photos = [*shots(STILL)[:-2], *dim[-2:]]
    assert decode(photos, PATTERNS).moved_share < 0.005


def test_a_camera_that_was_knocked_is_refused() -> None:
    later = shots(replace(STILL, u_px=U + 2.0, v_px=V + 1.0), seed=2)
    with pytest.raises(MeasurementError, match="moved during the scan"):
        decode([*shots(STILL)[:20], *later[20:]], PATTERNS)


def test_two_exposures_rescue_dark_and_bright_parts() -> None:
    """White burns out on the left of the first exposure; the right is too dark in the second, 12 times shorter."""
    column = np.broadcast_to(np.linspace(0, 1, SHAPE[1]), SHAPE)
    scene = Scene(u_px=U, v_px=V, brightness=3.0 * 0.02**column, ambient=0.005)
    patterns = make_set("fast", RESOLUTION, 2.2, exposures=2)
    once = photograph(scene, PATTERNS, rng=np.random.default_rng(1))
    short = photograph(scene, PATTERNS, rng=np.random.default_rng(2), exposure=1 / 12)
    alone = [decode(photos, PATTERNS) for photos in (once, short)]
    merged = decode([*once, *short], patterns)
    assert max(d.valid.mean() for d in alone) < 0.85
    assert merged.valid.mean() > 0.97
    both = alone[0].valid & alone[1].valid & merged.valid
    wanted = 1 / np.sqrt(1 / alone[0].sigma_u_px[both] ** 2 + 1 / alone[1].sigma_u_px[both] ** 2)
    assert merged.sigma_u_px[both] == pytest.approx(wanted, rel=1e-5)
    z = ((merged.u_px - U) / merged.sigma_u_px)[merged.valid]
    assert 0.95 < z.std() < 1.05
    for moved in (0, 1):  # whichever of them the camera moved in
        told = merge_exposures(
            [replace(d, path_px=0.3 * (i == moved), motion_sigma_px=0.01 * (i == moved)) for i, d in enumerate(alone)]
        )
        assert (told.path_px, told.motion_sigma_px) == (0.3, 0.01)
    # light is in one unit: over a brightness range of 50 the response curve, part of it burnt out, is not known better
    ratio = merged.light[merged.valid] / scene.brightness[merged.valid]  # type: ignore[index]
    assert np.quantile(ratio, 0.99) / np.quantile(ratio, 0.01) < 1.6


def test_an_exposure_that_shows_nothing_does_not_spoil_the_other() -> None:
    patterns = make_set("fast", RESOLUTION, 2.2, exposures=2)
    black = [np.full(SHAPE, 3, np.uint8)] * len(PATTERNS.frames)
    merged = decode([*black, *shots(STILL)], patterns)
    assert merged.valid.mean() > 0.99


def rippled(strength: float) -> Scene:
    """A mirror whose ripples fold the light: projector pixel u lands where u + strength sin(2 pi u / 30) says.

    Over a strength of 30 / 2 pi several projector pixels land on one spot; two of them are followed here.
    """
    fine = np.arange(-10.0, RESOLUTION[0] + 10.0, 0.02)
    lands = fine + strength * np.sin(2 * np.pi * fine / 30.0)
    row = U[0]
    crossings = [fine[:-1][(lands[:-1] <= x) != (lands[1:] <= x)] for x in row]
    first = np.array([c[0] for c in crossings])
    second = np.array([c[len(c) // 2] for c in crossings])
    share = np.array([0.7 if len(c) > 1 else 0.0 for c in crossings])
    return replace(
        STILL,
        brightness=0.55 * BRIGHTNESS,
        u_px=np.broadcast_to(first, SHAPE),
        second_u_px=np.broadcast_to(second, SHAPE),
        second_v_px=V,
        second_share=np.broadcast_to(share, SHAPE),
    )


def test_a_rippled_mirror_is_refused_with_where_and_why() -> None:
    with pytest.raises(MeasurementError, match="several paths") as caught:
        decode(shots(rippled(30.0)), PATTERNS)
    assert "camera pixels" in str(caught.value)
    assert "ripples" in str(caught.value)


def test_a_partly_rippled_mirror_is_mapped_where_it_is_single_valued() -> None:
    folded = rippled(30.0)
    left = np.arange(SHAPE[1]) < 130
    scene = replace(
        folded,
        u_px=np.where(left, folded.u_px, U),
        second_share=np.where(left, folded.second_share, 0.0),
    )
    decoded = decode(shots(scene), PATTERNS)
    assert decoded.valid[:, 140:].mean() > 0.99
    assert decoded.valid[:, :125].mean() < 0.1
    assert "several paths" in decoded.folded
    # nothing confident and wrong; where the fold turns its two paths are so close that they are one blurred spot
    assert np.abs(decoded.u_px - scene.u_px)[decoded.valid].max() < 4.0
    assert np.quantile(np.abs(decoded.u_px - scene.u_px)[decoded.valid], 0.98) < 0.5


def test_scattered_light_around_the_picture_is_not_several_paths() -> None:
    """A camera of little noise sees it well: a fiftieth of the light, without stripes."""
    around = np.broadcast_to(np.arange(SHAPE[1]) < 130, SHAPE)
    scene = replace(
        STILL,
        brightness=np.where(around, 0.02, BRIGHTNESS),
        blur_px=np.where(around, 300.0, 0.0),
    )
    decoded = decode(shots(scene), PATTERNS)
    assert (decoded.reason[:, :125] == Reason.INCONSISTENT).mean() > 0.5
    assert decoded.valid[:, 140:].mean() > 0.99
    assert decoded.folded == ""


def test_a_smooth_scene_has_no_folds() -> None:
    assert decode(shots(STILL), PATTERNS).folded == ""


def test_streaming_gives_what_decoding_at_once_gives() -> None:
    photos = shots(STILL)
    decoder = Decoder(PATTERNS)
    for photo in photos:
        decoder.add(photo)
    one, other = decoder.finish(), decode(photos, PATTERNS)
    assert np.array_equal(one.reason, other.reason)
    assert np.array_equal(one.u_px, other.u_px, equal_nan=True)


def test_bad_photographs_are_refused_when_they_come() -> None:
    photos = shots(STILL)
    decoder = Decoder(PATTERNS)
    for photo in photos[:7]:
        decoder.add(np.full_like(photo, 9))
    with pytest.raises(MeasurementError, match="projector is on"):
        decoder.add(np.full_like(photos[7], 9))  # white, no brighter than black: no need to wait for the waves
    decoder = Decoder(PATTERNS)
    decoder.add(photos[0])
    with pytest.raises(InputError, match="0001"):
        decoder.add(photos[1][:-1])
    with pytest.raises(InputError, match="scan again"):
        decoder.finish()
    with pytest.raises(InputError, match="8 or 16 bits"):
        Decoder(PATTERNS).add(np.zeros((*SHAPE, 3), np.uint8))
    decoder = Decoder(PATTERNS)
    for photo in photos:
        decoder.add(photo)
    with pytest.raises(InputError, match="one more"):
        decoder.add(photos[0])
