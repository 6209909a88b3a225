"""The virtual rig as a display and a camera, and its truths."""

import time

import cv2
import numpy as np
import pytest

from rigwarp.errors import DeviceError, InputError
from rigwarp.simulation import VirtualRig, parse_truth

IDEAL = """
format = "rigwarp virtual rig"
version = 1
[projector]
pupil_samples = 1
pupil_diameter_mm = 0
[camera]
position_mm = [0, -300, 900]
aim_mm = [0, 0, 0]
focal_px = 450
"""

NOISY = {"full_well_e = 1e9": "full_well_e = 8000", "ambient = 0": "ambient = 0.05"}
FACETS = """
kind = "facets"
position_mm = [0, 0, 500]
[[mirror.facet]]
corners_mm = [[-50, -50, 0], [-50, 50, 0], [50, 50, 0], [50, -50, 0]]
[[mirror.facet]]
corners_mm = [[50, -50, 0], [50, 50, 0], [150, 50, -50], [150, -50, -50]]
"""


def test_display_and_camera_do_what_devices_do(make_virtual):
    virtual = make_virtual(replace=NOISY)
    assert virtual.display.resolution == (320, 180)
    assert virtual.camera.resolution == (480, 270)
    black = virtual.camera.grab()
    assert black.shape == (270, 480)
    assert black.dtype == np.uint8
    frame = np.full((180, 320), 255, np.uint8)
    virtual.display.show(frame)
    white = virtual.camera.grab()
    frame[:] = 0  # what is shown does not follow the caller's array
    assert abs(virtual.camera.grab().mean() - white.mean()) < 0.2
    assert white.max() > 200
    assert white.mean() > 4 * black.mean()
    # white peaks at 85 per cent of the code range, noise and all
    assert abs(np.quantile(white, 0.999) - 0.85 * 255) < 12
    virtual.display.show(np.repeat(np.full((180, 320, 1), 255, np.uint8), 3, axis=2))
    assert abs(virtual.camera.grab().mean() - white.mean()) < 0.2
    for close in (virtual.display.close, virtual.camera.close):
        close()
        close()


@pytest.mark.parametrize("shape", [(320, 180), (180, 320, 4), (180, 321)])
def test_a_picture_of_the_wrong_size_is_refused(make_virtual, shape):
    with pytest.raises(DeviceError, match="native size"):
        make_virtual().display.show(np.zeros(shape, np.uint8))


def test_the_same_seed_gives_the_same_photographs_and_each_has_its_own_noise(make_virtual):
    runs = []
    for _ in range(2):
        virtual = make_virtual(replace=NOISY)
        virtual.display.show(np.full((180, 320), 200, np.uint8))
        runs.append(
            [virtual.camera.grab(), virtual.camera.grab(), *virtual.board_photos(2), virtual.table_sheet_photo()]
        )
    for first, second in zip(*runs, strict=True):
        np.testing.assert_array_equal(first, second)
    assert (runs[0][0] != runs[0][1]).mean() > 0.05
    other = make_virtual(replace=NOISY | {"seed = 3": "seed = 4"})
    other.display.show(np.full((180, 320), 200, np.uint8))
    assert (other.camera.grab() != runs[0][0]).mean() > 0.05


def test_light_follows_the_real_transfer_curve(make_virtual):
    virtual = make_virtual(
        replace={
            "black_level = 0": "black_level = 0.01\ngamma = 1.8",
            "full_well_e = 1e9": "full_well_e = 1e9\nresponse = 1.0",
        }
    )
    means = []
    for code in (0, 128, 255):
        virtual.display.show(np.full((180, 320), code, np.uint8))
        means.append(virtual.camera.grab()[120:150, 225:255].mean())
    half = 0.01 + 0.99 * (128 / 255) ** 1.8
    np.testing.assert_allclose(np.array(means[:2]) / means[2], [0.01, half], rtol=0, atol=0.003)  # half a code of 180


def test_an_exposure_twice_as_long_collects_twice_the_electrons(make_virtual):
    """Light doubles; its shot noise grows by the square root of two (Poisson), in a sensor without read noise."""
    virtual = make_virtual(replace={"full_well_e = 1e9": "full_well_e = 2000\nresponse = 1.0"})
    virtual.display.show(np.full((180, 320), 100, np.uint8))
    seconds = virtual.camera.exposure_s
    means, sigmas = [], []
    for factor in (1, 2, 4):
        assert virtual.camera.set_exposure(factor * seconds) == pytest.approx(factor * seconds)
        pair = [virtual.camera.grab()[120:150, 225:255].astype(float) for _ in range(2)]
        means.append(np.mean(pair))
        sigmas.append(np.sqrt(np.var(pair[1] - pair[0]) / 2 - 1 / 12))  # without the rounding to whole codes
    # 1800 pixels: means to 0.02 codes, sigmas to 2 per cent
    np.testing.assert_allclose(np.array(means) / means[0], [1, 2, 4], rtol=0.005)
    np.testing.assert_allclose(np.array(sigmas) / sigmas[0], [1, 2**0.5, 2], rtol=0.1)
    assert virtual.camera.set_exposure(1e9) < 10  # no shutter stays open for ever


def test_spots_are_photographed_where_the_true_map_says(make_virtual):
    virtual = make_virtual(
        replace={"focal_px = 450": "focal_px = 450\ndistortion = [-0.1, 0.03, 0.001, -0.001, 0]"},
        extra="[built]\nradius_percent = 2\nseat_shift_mm = [0.5, -0.3, 1]\nseat_turn_deg = [0.3, -0.2, 0.5]\n",
    )
    spot = virtual.true_map()
    camera = virtual.true_camera()
    frame = np.zeros((180, 320), np.uint8)
    for u, v in ((160, 90), (120, 60), (210, 120), (150, 130)):
        frame[:] = 0
        frame[v - 1 : v + 2, u - 1 : u + 2] = 255
        virtual.display.show(frame)
        photo = virtual.camera.grab().astype(float) ** 2.2
        rows, columns = np.mgrid[:270, :480]
        middle = np.array([(photo * columns).sum(), (photo * rows).sum()]) / photo.sum()
        point = np.array([[spot.x_mm[v, u], spot.y_mm[v, u], 0.0]])
        turn = cv2.Rodrigues(np.array(camera["R_camera_from_table"]))[0]
        shift = np.array(camera["t_camera_from_table_mm"])
        expected, _ = cv2.projectPoints(point, turn, shift, np.array(camera["matrix"]), np.array(camera["distortion"]))
        # a block of 3 x 3 pixels seen as 4 to 8 camera pixels: its middle is not quite that of the middle pixel
        assert np.linalg.norm(middle - expected.ravel()) < 0.15


def test_true_figure_of_a_radius_and_a_dent(make_virtual):
    built = "[built]\nradius_percent = 1\n[[built.dent]]\nposition_mm = [10, 0]\nwidth_mm = 2\ndepth_um = 40\n"
    figure = make_virtual(extra=built).true_figure_mm(np.array([0.0, 10.0, 11.0, -30.0, 59.0, 61.0]), np.zeros(6))
    r = np.array([0.0, 10.0, 11.0, 30.0, 59.0])
    grown = (101 - np.sqrt(101**2 - r**2)) - (100 - np.sqrt(100**2 - r**2))
    # half depth at half of the full width; this mirror is lit from below, so away from the light is towards +z
    dent = 0.04 * np.array([0, 1, 0.5, 0, 0])
    np.testing.assert_allclose(figure[:5], grown + dent, rtol=0, atol=1e-9)
    assert np.isnan(figure[5])


def test_true_figure_of_a_tilted_panel(make_virtual):
    tilt = "[built]\n[[built.facet]]\nfacet = 1\ntilt_deg = [0.2, 0]\n"
    virtual = make_virtual(mirror=FACETS, extra=tilt, projector=[0, 0, 200])
    np.testing.assert_allclose(virtual.true_figure_mm(np.array([0.0, 20.0]), np.zeros(2)), 0.0, atol=1e-9)
    figure = virtual.true_figure_mm(np.array([60.0, 100.0, 140.0]), np.zeros(3), zone=1)
    # the panel falls 50 mm over 100 along x and its first edge lies along y: a turn about that edge changes the angle
    # of its fall, about its middle at x = 100
    angle = np.arctan2(-50.0, 100.0)
    turned = np.tan(angle - np.deg2rad(0.2)) - np.tan(angle)
    np.testing.assert_allclose(figure, turned * np.array([-40.0, 0.0, 40.0]), rtol=0, atol=1e-9)
    with pytest.raises(InputError, match="no piece 2"):
        virtual.true_figure_mm(np.zeros(1), np.zeros(1), zone=2)


def test_a_mesh_mirror_needs_its_closed_form(make_virtual):
    mesh = 'kind = "mesh"\nfile = "mirror.stl"\nreflecting_side = "-z"\nposition_mm = [0, 0, 400]\n'
    with pytest.raises(InputError, match=r"surface.*closed form"):
        make_virtual(mirror=mesh)
    surface = "[surface]\nkind = 'polynomial'\nradius_mm = 100\nterms = [[4, 0, 1e-7]]\naperture_size_mm = [100, 80]\n"
    spot = make_virtual(mirror=mesh, extra=surface).true_map()
    plain = make_virtual().true_map()
    both = spot.answered & plain.answered
    assert both.sum() > 5000
    difference = np.hypot(spot.x_mm - plain.x_mm, spot.y_mm - plain.y_mm)[both]
    assert 0.01 < difference.max() < 20  # the same sphere but for the small extra term


def test_a_profile_mirror_is_the_conic_it_was_tabulated_from(make_rig, make_virtual):
    mirror = 'kind = "profile"\nfile = "profile.csv"\nposition_mm = [0, 0, 400]\n'
    rig = make_rig(mirror=mirror)
    with pytest.raises(InputError, match="surface"):
        make_virtual(mirror=mirror)
    r = np.linspace(0, 60, 61)
    table = np.stack([r, 100 - np.sqrt(100**2 - r**2)], axis=1)
    spot = VirtualRig(rig, parse_truth(IDEAL, rig), profiles={"profile.csv": table}).true_map()
    exact = VirtualRig(make_rig(), parse_truth(IDEAL, rig)).true_map()
    both = spot.answered & exact.answered
    assert both.sum() > 5000
    # a quintic spline through 1 mm steps of this circle is off by less than 1e-7 in slope, 4e-5 mm on the table
    assert np.abs(spot.table_mm - exact.table_mm)[both].max() < 1e-4


def test_a_small_rig_is_ready_at_once(make_virtual):
    virtual = make_virtual(
        replace={"pupil_diameter_mm = 0\npupil_samples = 1": "pupil_diameter_mm = 3\npupil_samples = 7"}
    )
    shares = []
    start = time.perf_counter()
    virtual.prepare(progress=shares.append)
    assert time.perf_counter() - start < 5  # s; 0.4 on two idle cores
    assert shares[-1] == 1.0
    assert shares == sorted(shares)
    count = len(shares)
    virtual.prepare(progress=shares.append)
    assert len(shares) == count  # built once


def test_an_interruption_stops_the_preparation_and_it_can_be_run_again(make_virtual):
    virtual = make_virtual()

    def interrupt(share):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        virtual.prepare(progress=interrupt)
    shares = []
    virtual.prepare(progress=shares.append)
    assert shares[-1] == 1.0
