"""The picture that scans of single zones have in common tells where the camera stood for each of them."""

import functools
import sys
from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.ndimage import map_coordinates
from synthetic_scan import Scene, photograph, smooth_scene

from rigwarp.camera import CameraModel
from rigwarp.decode import Decoded, decode, lay_over, shift_px
from rigwarp.decode.photographs.bands import band_pictures
from rigwarp.decode.photographs.common_picture import Placed, expected_plaid
from rigwarp.decode.photographs.shared_errors import MOTION
from rigwarp.errors import InputError, MeasurementError
from rigwarp.geometry import Array
from rigwarp.patterns import LevelFrame, PatternSet, PlaidFrame, fast_set, make_set
from rigwarp.rig import Table
from rigwarp.table_map import samples_from_scan, zone_places

SHAPE, RESOLUTION, MARGIN = (150, 200), (534, 300), 12
ZONE = fast_set(RESOLUTION, 2.2).with_plaid()
PLAID = replace(ZONE, frames=(ZONE.frames[ZONE.plaid or 0],))
KNOCK = (1.2, -0.7)


@functools.cache
def larger() -> tuple[Array, Array, Array, Array]:
    u, v, brightness, ambient = smooth_scene((SHAPE[0] + 2 * MARGIN, SHAPE[1] + 2 * MARGIN), RESOLUTION)
    x, y = u / RESOLUTION[0] - 0.5, v / RESOLUTION[1] - 0.5
    u, v = u + 60.0 * y + 40.0 * x * y, v - 40.0 * x + 40.0 * x * x
    inside = (u > 5) & (u < RESOLUTION[0] - 6) & (v > 5) & (v < RESOLUTION[1] - 6)
    return u, v, np.where(inside, 0.8 * brightness, 0.0), ambient


@functools.lru_cache(maxsize=2)
def seen(shift: tuple[float, float], zone: int | None = None) -> Scene:
    """What the camera sees after the scene has shifted, lit by everything or by one half of the projector's picture."""
    row, column = np.indices(SHAPE, float)
    place = np.stack([row + MARGIN - shift[1], column + MARGIN - shift[0]])
    u, v, brightness, ambient = (map_coordinates(image, place, order=3) for image in larger())
    lit = np.ones(SHAPE) if zone is None else (u < 0.5 * RESOLUTION[0]) == (zone == 0)
    return Scene(u_px=u, v_px=v, brightness=np.maximum(brightness, 0.0) * lit, ambient=ambient)


def zone_scan(zone: int, course: list[tuple[float, float]], seed: int, patterns: PatternSet = ZONE) -> Decoded:
    """A scan of one zone, each photograph with its own shift."""
    random = np.random.default_rng(seed)
    photos = []
    for frame, shift in zip(patterns.frames, course, strict=True):
        scene = seen(shift, None if isinstance(frame, PlaidFrame) else zone)
        photos += photograph(scene, replace(patterns, frames=(frame,)), rng=random)
    return decode(photos, patterns)


STILL = [(0.0, 0.0)] * len(ZONE.frames)


@functools.cache
def first() -> Decoded:
    return zone_scan(0, STILL, 1)


def test_pictures_are_laid_over_each_other_as_opencv_does_it() -> None:
    """OpenCV's findTransformECC (Evangelidis and Psarakis 2008) is another program for the same."""
    random = np.random.default_rng(4)
    before, after = (photograph(seen(s), PLAID, rng=random)[0].astype(np.float32) for s in ((0.0, 0.0), KNOCK))
    inner = np.zeros(SHAPE, bool)
    inner[8:-8, 8:-8] = True
    placed = lay_over(before, after, inner)
    assert placed is not None
    assert placed.alike
    start = np.array([[1.0, 0.0, 1.0], [0.0, 1.0, -1.0]], np.float32)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 200, 1e-8)
    ecc = cv2.findTransformECC(before, after, start, cv2.MOTION_TRANSLATION, stop, None, 5)[1][:, 2]
    middle = shift_px(placed.fields, np.array([[99.5, 74.5]]), SHAPE)[0]
    assert ecc == pytest.approx(KNOCK, abs=0.02)  # it samples linearly
    assert middle == pytest.approx(KNOCK, abs=0.01)
    assert placed.sigma_px < 0.005
    again = lay_over(before, photograph(seen((0.0, 0.0)), PLAID, rng=random)[0].astype(np.float32), inner)
    assert again is not None
    assert not again.moved_by(0.01)


def banded(photo: np.ndarray, share: float, period_rows: float, turns: float) -> np.ndarray:
    """With bands of all light, as a rolling shutter has them; the photographs' light is linear."""
    wave = 1.0 + share * np.sin(2.0 * np.pi * (np.arange(len(photo)) / period_rows + turns))
    return np.rint(photo * wave[:, None]).astype(photo.dtype)


def test_bands_as_long_as_the_stripes_are_no_motion() -> None:
    """Each photograph has its own; no stripe tells those of the common picture, which stay in it."""
    random, period_rows = np.random.default_rng(6), 16.0
    photos = [photograph(seen((0.0, 0.0)), PLAID, rng=random)[0] for _ in range(2)]
    before, after = (banded(p, 0.04, period_rows, 0.25 + n / 4).astype(np.float32) for n, p in enumerate(photos))
    inner = np.zeros(SHAPE, bool)
    inner[8:-8, 8:-8] = True
    bare, placed = lay_over(before, after, inner), lay_over(before, after, inner, band_pictures(before, period_rows))
    assert bare is not None
    assert placed is not None
    assert bare.moved_by(0.01)
    assert not placed.moved_by(0.01)
    assert placed.left < 0.5 * bare.left
    scans = [replace(first(), plaid=banded(p, 0.04, period_rows, 0.25 + n / 4)) for n, p in enumerate(photos)]
    with pytest.raises(MeasurementError, match="looks different"):
        zone_places(scans)
    told = [replace(one, band_rows=period_rows) for one in scans]
    assert zone_places(told).fields == (None, None)


def scan_after(shift: tuple[float, float], seed: int) -> Decoded:
    """As the first, but for where the camera saw the common picture."""
    photo = photograph(seen(shift), PLAID, rng=np.random.default_rng(seed))[0]
    return replace(first(), plaid=photo)


def test_a_jump_between_two_zones_is_found() -> None:
    places = zone_places([first(), scan_after(KNOCK, 2)])
    assert places.fields[0] is None
    assert places.fields[1] is not None
    assert shift_px(places.fields[1], np.array([[99.5, 74.5]]), SHAPE)[0] == pytest.approx(KNOCK, abs=0.02)
    assert "camera moved between the scans" in places.in_words[1]
    assert "1.39 px" in places.in_words[1]


def test_a_still_camera_is_left_alone() -> None:
    places = zone_places([first(), scan_after((0.0, 0.0), 3)])
    assert places.fields == (None, None)
    assert places.in_words == ("", "")
    assert places.not_proven == ""


def test_a_jump_between_the_common_picture_and_the_stripes_counts() -> None:
    plaid = ZONE.plaid or 0
    other = zone_scan(1, [KNOCK if n > plaid else (0.0, 0.0) for n in range(len(STILL))], 5)
    fields = zone_places([first(), other]).fields[1]
    assert fields is not None
    assert shift_px(fields, np.array([[140.0, 74.5]]), SHAPE)[0] == pytest.approx(KNOCK, abs=0.05)


def test_a_common_picture_that_cannot_be_compared_with_the_stripes_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    assert first().processing == ()
    monkeypatch.setattr("rigwarp.decode.pixels.one_exposure.lay_over", lambda *_: None)
    (told,) = zone_scan(1, STILL, 5).processing
    assert "lit by this zone alone" in told


@pytest.mark.parametrize("jump", [(0.0, 0.0), KNOCK])
@pytest.mark.parametrize("overlap", [0.0, 0.3, 0.7])
def test_what_other_zones_add_to_the_common_picture_moves_nothing(overlap: float, jump: tuple[float, float]) -> None:
    """Panels folded towards each other shine on the same part of the table, with stripes that are nearly parallel."""
    frame = PLAID.frames[0]
    assert isinstance(frame, PlaidFrame)
    row, column = np.indices((300, 400), np.float32)

    def light(at: Array, along: Array, bright: float) -> Array:
        return np.asarray(bright * ZONE.plaid_light(frame, at, along))

    u, v = (1.9 * column + 0.05 * row, 1.8 * row - 0.04 * column)
    moved = 1.9 * (column - jump[0]) + 0.05 * (row - jump[1]), 1.8 * (row - jump[1]) - 0.04 * (column - jump[0])
    other = np.where(column < overlap * 400, light(1.85 * column + 2.0, 1.82 * row + 0.02 * column - 3.0, 0.35), 0.0)
    photo = (0.01 + light(*moved, 0.4) + other).astype(np.float32)
    black, contrast = (np.full(photo.shape, value, np.float32) for value in (0.01, 0.4))
    expected, alike = expected_plaid(ZONE, photo, black, (u, v, contrast))
    assert not alike[:, : int(overlap * 400)].any()
    assert alike[:, int(overlap * 400) + 40 :].mean() > 0.8
    placed = lay_over(expected, photo, alike)
    assert placed is not None
    assert placed.alike
    middle = shift_px(placed.fields, np.array([[340.0, 150.0]]), photo.shape)[0]
    assert middle == pytest.approx(jump, abs=0.02)


def test_scans_are_compared_in_linear_light(monkeypatch: pytest.MonkeyPatch) -> None:
    """What daylight adds is the same in the dark and the bright of a stripe there, unlike in codes."""
    assert first().plaid is not None
    table = first().response.table()
    brighter = np.searchsorted(table, table[first().plaid] + 0.05).clip(0, 254).astype(np.uint8)
    compared = []

    def lay_over(*pictures: np.ndarray) -> Placed:
        compared.append(pictures)
        return Placed(fields=np.zeros(MOTION), shift_px=0.0, sigma_px=0.01, left=0.0, alike=True)

    monkeypatch.setattr(sys.modules["rigwarp.table_map.zone_places"], "lay_over", lay_over)
    zone_places([first(), replace(first(), plaid=brighter)])
    ((before, after, usable, _),) = compared
    step = np.diff(table).max()
    np.testing.assert_allclose((after - before)[usable & (brighter < 254)], 0.05, atol=1.01 * step)


def test_without_a_common_picture_it_is_said_or_refused() -> None:
    old = replace(first(), plaid=None)
    assert "nothing tells whether the camera moved" in zone_places([old, old]).not_proven
    assert zone_places([old]).not_proven == ""
    with pytest.raises(MeasurementError, match=r"camera moved by 0\.30 px during the scan of a zone"):
        zone_places([old, replace(old, path_px=0.3)])


def test_another_picture_is_refused() -> None:
    assert first().plaid is not None
    other = replace(first(), plaid=np.ascontiguousarray(first().plaid[::-1]))
    with pytest.raises(MeasurementError, match="camera moved between them by more than can be put right"):
        zone_places([first(), other])


def test_one_camera_s_two_responses_are_named_and_not_a_camera_that_moved() -> None:
    """Bands in the grey photographs of one zone's scan make it look like another curve."""
    told = [
        replace(one, response=replace(one.response, shape=shape))
        for one, shape in ((first(), 1.0), (zone_scan(0, STILL, 2), 3.0))
    ]
    with pytest.raises(MeasurementError, match="tell the camera's response differently") as raised:
        zone_places(told)
    assert "moved" not in str(raised.value)


def test_samples_lie_where_the_camera_saw_them_before_it_moved() -> None:
    matrix = np.array([[300.0, 0.0, 99.5], [0.0, 300.0, 74.5], [0.0, 0.0, 1.0]])
    camera = CameraModel(
        resolution=SHAPE[::-1],
        matrix=matrix,
        distortion=np.zeros(5),
        R_camera_from_table=np.diag([1.0, -1.0, -1.0]),
        t_camera_from_table_mm=np.array([0.0, 0.0, 600.0]),
    )
    table = Table(shape="rectangle", size_mm=(2000.0, 2000.0), height_mm=0.0)
    fields = np.zeros(8)
    fields[:2] = KNOCK
    still, moved = samples_from_scan(first(), camera, table), samples_from_scan(first(), camera, table, moved=fields)
    mm_per_px = 600.0 / 300.0
    expected = np.broadcast_to(mm_per_px * np.array([-KNOCK[0], KNOCK[1]]), still.table_mm.shape)
    np.testing.assert_allclose(moved.table_mm - still.table_mm, expected, atol=1e-9)


def test_a_set_for_a_zone_has_one_picture_of_all_zones_in_every_exposure() -> None:
    twice = make_set("fast", RESOLUTION, 2.2, blur_px=None, exposures=2).with_plaid()
    assert [n for n, frame in enumerate(twice.frames) if isinstance(frame, PlaidFrame)] == [8, 43]
    assert all(isinstance(frame, LevelFrame) for frame in twice.frames[:8])
    assert PatternSet.from_dict(twice.to_dict()) == twice
    assert ZONE.repeats() == [(9, 33), (21, 34)]  # it is no repeat of a stripe
    zone = np.zeros(RESOLUTION[::-1], bool)
    zone[:, :200] = True
    assert ZONE.of_zone(8, zone)[:, 200:].max() > 100
    assert ZONE.of_zone(9, zone)[:, 200:].max() == 0
    with pytest.raises(InputError):
        PatternSet.from_dict({**ZONE.to_dict(), "frames": [{"kind": "plaid", "periods_px": [1.0, 20.0]}]})
