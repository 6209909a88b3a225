"""Each key of [mishaps] does to the photographs what it says, against plain calculations of its own."""

import re

import cv2
import numpy as np
import pytest
from perfect_rig import IDEAL

from rigwarp.errors import InputError
from rigwarp.simulation import VirtualRig, parse_truth
from rigwarp.simulation.incidents import handed_over
from rigwarp.simulation.mishaps import KEYS, Mishaps

# blurred as any lens: what is moved by parts of a pixel must be band-limited
BLURRED = IDEAL.replace("focal_px = 450\nblur_px = 0", "focal_px = 450\nblur_px = 0.8")
LINEAR = {"vignetting = 0\nread_noise_e": "vignetting = 0\nresponse = 1.0\nread_noise_e"}


def photos(virtual: VirtualRig, count: int, level: int = 200) -> list[np.ndarray]:
    """Photographs of one even picture."""
    width, height = virtual.display.resolution
    virtual.display.show(np.full((height, width), level, np.uint8))
    return [virtual.camera.grab() for _ in range(count)]


def stripes(virtual: VirtualRig) -> None:
    """Smooth stripes along both axes, 20 pixels long."""
    width, height = virtual.display.resolution
    u, v = np.meshgrid(np.arange(width), np.arange(height))
    virtual.display.show(np.rint(128 + 55 * np.sin(u / 3.2) + 55 * np.sin(v / 3.2)).astype(np.uint8))


def light_of(photo: np.ndarray) -> np.ndarray:
    return photo.astype(float) / 255.0


def test_nothing_happens_by_default(make_virtual, make_rig):
    assert parse_truth(IDEAL, make_rig()).mishaps.share(1) == 0.0
    plain, empty = make_virtual(), make_virtual(extra="[mishaps]\n")
    np.testing.assert_array_equal(photos(plain, 2)[1], photos(empty, 2)[1])


def _translation(before: np.ndarray, after: np.ndarray) -> np.ndarray:
    """How far the middle of a picture's content moved, by ECC with a homography (OpenCV)."""
    warp = np.eye(3, dtype=np.float32)
    stop = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-9)
    _, warp = cv2.findTransformECC(
        before.astype(np.float32), after.astype(np.float32), warp, cv2.MOTION_HOMOGRAPHY, stop, None, 1
    )
    middle = np.array([239.5, 134.5, 1.0])
    moved = warp @ middle
    return moved[:2] / moved[2] - middle[:2]


@pytest.mark.parametrize("shift", [(0.7, -0.4), (-0.13, 1.9)])
def test_a_knock_shifts_the_picture_by_what_it_says(make_virtual, shift):
    virtual = make_virtual(BLURRED, extra=f"[mishaps]\nknock_at = 3\nknock_px = {list(shift)}\n")
    stripes(virtual)
    first, second, third = (virtual.camera.grab() for _ in range(3))
    np.testing.assert_allclose(_translation(first, second), 0.0, atol=0.005)
    np.testing.assert_allclose(_translation(first, third), shift, atol=0.02)


def test_a_spot_in_the_middle_is_where_the_knock_has_put_it(make_virtual):
    """The centre of gravity of a spot's light: near the picture's middle a turn shifts everything alike."""
    shift = np.array([0.37, -0.62])
    linear = BLURRED.replace("vignetting = 0\nread_noise_e", "vignetting = 0\nresponse = 1.0\nread_noise_e")
    virtual = make_virtual(linear, extra=f"[mishaps]\nknock_at = 2\nknock_px = {shift.tolist()}\n")
    width, height = virtual.display.resolution
    picture = np.zeros((height, width), np.uint8)
    picture[height // 2 - 3 : height // 2 + 3, width // 2 - 3 : width // 2 + 3] = 255
    virtual.display.show(picture)
    places = []
    for _ in range(2):
        light = light_of(virtual.camera.grab())
        v, u = np.indices(light.shape)
        places.append(np.array([(light * u).sum(), (light * v).sum()]) / light.sum())
    assert np.abs(places[0] - [239.5, 134.5]).max() < 25.0  # there the shift is that of the middle to 0.5 %
    # codes at the spot's rim are rounded to 1/255: 0.01 px
    np.testing.assert_allclose(places[1] - places[0], shift, atol=0.015)


@pytest.mark.parametrize(
    ("motion", "shift_mm", "turn_deg"),
    [
        ("knock_mm = [0.9, -0.6, 0.5]", (0.9, -0.6, 0.5), (0, 0, 0)),
        ("knock_deg = [0.05, -0.08, 0.1]", (0, 0, 0), (0.05, -0.08, 0.1)),
    ],
)
def test_moved_pictures_are_those_of_a_camera_that_stands_there(make_rig, motion, shift_mm, turn_deg):
    """Resampled pictures against the area-exact light transport into the moved camera's own pixels."""
    from dataclasses import replace

    rig = make_rig()
    truth = parse_truth(BLURRED + f"[mishaps]\nknock_at = 1\n{motion}\n", rig)
    there = replace(truth.camera, placement=truth.camera.placement.moved(np.array(shift_mm), np.deg2rad(turn_deg)))
    pictures = []
    for built in (truth, replace(truth, camera=there, mishaps=Mishaps()), replace(truth, mishaps=Mishaps())):
        virtual = VirtualRig(rig, built)
        stripes(virtual)
        pictures.append(virtual.camera.grab())
    moved, exact, unmoved = pictures
    lit = cv2.erode((cv2.blur(exact, (9, 9)) > 60).astype(np.uint8), np.ones((9, 9))) > 0
    assert lit.sum() > 3000
    apart = _translation(exact, moved)
    np.testing.assert_allclose(apart, 0.0, atol=0.02)
    assert np.linalg.norm(_translation(exact, unmoved)) > 0.2  # the motion that is at stake
    # to a code value: rounding gives 0.4 rms
    assert np.sqrt(np.mean((moved[lit].astype(float) - exact[lit]) ** 2)) < 1.0


def test_creep_grows_evenly_over_the_scan(make_virtual):
    extra = "[mishaps]\nphotographs = 5\nfirst_photograph = 2\ncreep_px = [0.8, 0.0]\n"
    virtual = make_virtual(BLURRED, extra=extra)
    stripes(virtual)
    taken = [virtual.camera.grab() for _ in range(7)]
    found = [_translation(taken[0], photo)[0] for photo in taken]
    np.testing.assert_allclose(found, [0, 0, 0.2, 0.4, 0.6, 0.8, 0.8], atol=0.02)


def test_automatic_exposure_evens_out_the_mean(make_virtual):
    means = {}
    for strength in (0.0, 1.0):
        virtual = make_virtual(replace=LINEAR, extra=f"[mishaps]\nauto_exposure = {strength}\n")
        means[strength] = [light_of(photos(virtual, 1, level)[0]).mean() for level in (255, 200, 90)]
    # the projector's own law: light = code ** 2.2
    np.testing.assert_allclose(means[0.0][1] / means[0.0][0], (200 / 255) ** 2.2, rtol=0.02)
    # rounding of codes is even on average; the limit of 8 holds the last one back: 255/90 squared is 9.9
    np.testing.assert_allclose(means[1.0][1], means[1.0][0], rtol=0.02)
    np.testing.assert_allclose(means[1.0][2] / means[0.0][2], 8.0, rtol=0.08)


def test_daylight_sunshine_and_lamp_follow_their_photographs(make_virtual):
    still = make_virtual(replace=LINEAR)
    white, black = (light_of(photos(still, 1, level)[0]) for level in (255, 0))
    spot = np.unravel_index(np.argmax(white), white.shape)
    assert black.max() == 0.0

    def course(extra: str, level: int) -> np.ndarray:
        taken = photos(make_virtual(replace=LINEAR, extra="[mishaps]\nphotographs = 5\n" + extra), 5, level)
        return np.array([light_of(photo)[spot] for photo in taken])

    ramp = course("daylight = 0.2\n", 0)
    np.testing.assert_allclose(ramp, ramp[-1] * np.array([0, 0.25, 0.5, 0.75, 1.0]), atol=0.003)
    # a share of projected white: half of the lit table has more of that, half less
    dark = light_of(
        photos(make_virtual(replace=LINEAR, extra="[mishaps]\nsunshine = 0.2\nsunshine_at = [1, 1]\n"), 1, 0)[0]
    )
    np.testing.assert_allclose(np.median(dark[white > 0]) / np.median(white[white > 0]), 0.2, atol=0.006)
    sun = course("sunshine = 0.2\nsunshine_at = [2, 3]\n", 0)
    np.testing.assert_allclose(sun, ramp[-1] * np.array([0, 1, 1, 0, 0]), atol=0.003)
    lamp = course("lamp_drift = -0.4\n", 255)
    np.testing.assert_allclose(lamp / lamp[0], [1.0, 0.9, 0.8, 0.7, 0.6], atol=0.006)


def test_bands_have_their_period_and_amplitude(make_virtual):
    extra = "[mishaps]\nbands = 0.1\nbands_period_px = 40\n"
    virtual, still = make_virtual(replace=LINEAR, extra=extra), make_virtual(replace=LINEAR)
    banded, other = (light_of(photo) for photo in photos(virtual, 2))
    even = light_of(photos(still, 1)[0])
    lit = even > 0.3
    rows = np.flatnonzero(lit.sum(axis=1) > 60)
    ratio = np.array([banded[row][lit[row]].sum() / even[row][lit[row]].sum() for row in rows]) - 1.0
    wave = np.stack([np.sin(2 * np.pi * rows / 40), np.cos(2 * np.pi * rows / 40)], axis=1)
    fitted, *_ = np.linalg.lstsq(wave, ratio, rcond=None)
    assert abs(np.hypot(*fitted) - 0.1) < 0.003
    np.testing.assert_allclose(wave @ fitted, ratio, atol=0.01)
    assert np.abs(other - banded).max() > 0.02  # the mains is elsewhere in its period


def test_jpeg_is_what_an_encoder_makes_of_the_picture(make_virtual):
    plain, packed = make_virtual(BLURRED), make_virtual(BLURRED, extra="[mishaps]\njpeg_quality = 60\n")
    for virtual in (plain, packed):
        stripes(virtual)
    photo, found = plain.camera.grab(), packed.camera.grab()
    _, data = cv2.imencode(".jpg", photo, [cv2.IMWRITE_JPEG_QUALITY, 60])
    np.testing.assert_array_equal(found, cv2.imdecode(data, cv2.IMREAD_GRAYSCALE))
    assert (found != photo).any()


def test_smoothing_takes_noise_away_and_keeps_edges(make_virtual):
    noisy = {"full_well_e = 1e9": "full_well_e = 4000"}
    raw = photos(make_virtual(replace=noisy), 2)
    smooth = photos(make_virtual(replace=noisy, extra="[mishaps]\nsmoothing_px = 2.0\n"), 2)
    lit = cv2.erode((raw[0] > 120).astype(np.uint8), np.ones((15, 15))) > 0
    noise = [np.std(pair[0][lit].astype(float) - pair[1][lit]) for pair in (raw, smooth)]
    assert noise[1] < 0.5 * noise[0]
    edge = cv2.dilate(lit.astype(np.uint8), np.ones((41, 41))) > 0
    sharp = [
        np.abs(np.diff(cv2.medianBlur(photo, 3).astype(float), axis=0))[edge[1:]].max() for photo in (raw[0], smooth[0])
    ]
    assert sharp[1] > 0.8 * sharp[0]


def test_somebody_walks_through_the_light(make_virtual):
    extra = (
        "[mishaps]\npasser_by_at = [2, 4]\npasser_by_from_mm = [-60, 0]\npasser_by_to_mm = [60, 0]\n"
        "passer_by_radius_mm = 25\npasser_by_shadow = 0.8\n"
    )
    virtual = make_virtual(replace=LINEAR, extra=extra)
    taken = [light_of(photo) for photo in photos(virtual, 5)]
    camera = virtual.true_camera()
    seen = np.array(camera["R_camera_from_table"]) @ np.array([[-60, 0, 0], [0, 0, 0], [60, 0, 0.0]]).T
    seen = np.array(camera["matrix"]) @ (seen + np.array(camera["t_camera_from_table_mm"])[:, None])
    u, v = np.rint(seen[:2] / seen[2]).astype(int)
    share = np.array([[photo[v[k], u[k]] / taken[0][v[k], u[k]] for k in range(3)] for photo in taken])
    np.testing.assert_allclose(share, np.where(np.eye(5, 3, -1) > 0, 0.2, 1.0), atol=0.02)


def test_taken_too_early_shows_the_picture_before(make_virtual):
    virtual, still = make_virtual(extra="[mishaps]\nearly = [2]\n"), make_virtual()
    levels = (255, 120, 60)
    taken = [photos(virtual, 1, level)[0] for level in levels]
    right = [photos(still, 1, level)[0] for level in levels]
    np.testing.assert_array_equal(taken[0], right[0])
    assert np.abs(taken[1].astype(int) - right[0]).max() <= 1  # its own noise
    np.testing.assert_array_equal(taken[2], right[2])


def test_the_pile_as_it_is_handed_over():
    pile = [np.full((2, 3), n, np.uint8) for n in range(1, 6)]
    mixed = handed_over(pile, Mishaps(exchanged=((2, 4),), missing=(1,), twice=(5,)))
    assert [int(photo[0, 0]) for photo in mixed] == [4, 3, 2, 5, 5]
    picture = np.arange(6, dtype=np.uint8).reshape(2, 3)
    for mishaps, expected in (
        (Mishaps(mirrored=True), [[2, 1, 0], [5, 4, 3]]),
        (Mishaps(quarter_turns=1), [[3, 0], [4, 1], [5, 2]]),  # clockwise
        (Mishaps(quarter_turns=2), [[5, 4, 3], [2, 1, 0]]),
    ):
        np.testing.assert_array_equal(handed_over([picture], mishaps)[0], expected)


def test_another_sheet_and_one_laid_the_wrong_way_round(make_virtual):
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)

    def markers(text: str) -> dict[int, np.ndarray]:
        larger = {"focal_px = 450": "focal_px = 1350"}
        photo = make_virtual(BLURRED, larger, extra="[sheet]\n" + text, cw=1440, ch=810).table_sheet_photo()
        corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(photo)
        return {int(n): c.reshape(4, 2).mean(axis=0) for n, c in zip(np.ravel(ids), corners, strict=True)}

    sheets = [markers(text) for text in ("", "turned_deg = 180\n", "square_mm = 24\nmarker_mm = 18\n")]
    common = sorted(set.intersection(*(set(sheet) for sheet in sheets)))
    assert common[-1] - common[0] > 10  # several rows apart
    right, turned, small = ((sheet[common[0]], sheet[common[-1]]) for sheet in sheets)
    np.testing.assert_array_less(0, (right[1] - right[0]) * (turned[0] - turned[1]))  # the other way round
    ratio = np.linalg.norm(small[1] - small[0]) / np.linalg.norm(right[1] - right[0])
    assert abs(ratio - 24 / 36) < 0.03  # the camera looks down at a slant


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("crep_px = [1, 0]", r"mishaps\.crep_px: found an unknown key.*Did you mean creep_px"),
        ("knock_px = [1, 0]", r"mishaps\.knock_at: found nothing"),
        ("knock_at = 0", r"mishaps\.knock_at: found 0"),
        ("photographs = 1", r"mishaps\.photographs: found 1"),
        ("auto_exposure = 2", r"mishaps\.auto_exposure: found 2"),
        ("jpeg_quality = 101", r"mishaps\.jpeg_quality: found 101"),
        ("sunshine = 0.1", r"mishaps\.sunshine_at: found nothing"),
        ("passer_by_at = [4, 2]", r"mishaps\.passer_by_at: found"),
        ("passer_by_at = [2, 4]", r"mishaps\.passer_by_from_mm: found nothing"),
        ("early = [0]", r"mishaps\.early: found"),
        ("exchanged = [[1]]", r"mishaps\.exchanged: found"),
        ("missing = 3", r"mishaps\.missing: found 3"),
        ("turned_deg = 45", r"mishaps\.turned_deg: found 45"),
        ("mirrored = 1", r"mishaps\.mirrored: found 1"),
        ("bands = -1", r"mishaps\.bands: found -1"),
    ],
)
def test_mistakes_are_named(make_rig, text, message):
    with pytest.raises(InputError, match=message):
        parse_truth(IDEAL + "[mishaps]\n" + text + "\n", make_rig())


def test_markers_fit_into_their_squares(make_rig):
    with pytest.raises(InputError, match=r"sheet\.square_mm: found markers of 27 mm in squares of 24 mm"):
        parse_truth(IDEAL + "[sheet]\nsquare_mm = 24\n", make_rig())


def test_every_key_has_its_meaning():
    assert all(re.fullmatch(r"[a-z_]+", key) and meaning for key, meaning in KEYS.items())


def test_a_twisted_panel_rises_with_x_times_y(make_virtual):
    panel = 'kind = "facets"\nposition_mm = [0, 0, 400]\n[[mirror.facet]]\n'
    panel += "corners_mm = [[-60, -60, 0], [60, -60, 0], [60, 60, 0], [-60, 60, 0]]\n"
    virtual = make_virtual(extra="[built]\n[[built.facet]]\nfacet = 0\ntwist_mrad_per_mm = 0.2\n", mirror=panel)
    x, y = np.array([10.0, -40.0, 50.0, 0.0]), np.array([20.0, 30.0, 50.0, 45.0])
    np.testing.assert_allclose(virtual.true_figure_mm(x, y), 0.2e-3 * x * y, atol=1e-9)
