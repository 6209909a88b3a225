"""Modulation of lines and nine-point light, against closed forms, by a camera straight above a flat table."""

import cv2
import numpy as np
import pytest

from rigwarp.camera import CameraModel
from rigwarp.rig import Content, decode_transfer, encode_transfer
from rigwarp.rig.canvas import table_to_content
from rigwarp.verification import (
    SeenContent,
    chart_picture,
    light_table,
    line_charts,
    measure_charts,
    measure_uniformity,
)
from rigwarp.verification.quality.charts import aperture_modulation, chart_patches, fitted_modulation, half_side_mm
from rigwarp.verification.quality.uniformity import nine_points

PX_PER_MM = 5.0
LINEAR = np.linspace(0.0, 1.0, 1 << 16).astype(np.float32)


def content(shape="circle", size=(100.0, 100.0)):
    return Content(
        shape=shape,
        size_mm=size,
        centre_mm=np.array([0.0, 0.0]),
        rotation_rad=0.0,
        pixels=(int(10 * size[0]), int(10 * size[1])),
    )


def above(size_mm=(110.0, 110.0)):
    """A pinhole 1000 mm over the middle of the table, 5 pixels to the millimetre, its rows along x."""
    width, height = (int(PX_PER_MM * side) for side in size_mm)
    return CameraModel(
        resolution=(width, height),
        matrix=np.array(
            [[1000.0 * PX_PER_MM, 0, (width - 1) / 2], [0, 1000.0 * PX_PER_MM, (height - 1) / 2], [0, 0, 1]]
        ),
        distortion=np.zeros(5),
        R_camera_from_table=np.diag([1.0, -1.0, -1.0]),
        t_camera_from_table_mm=np.array([0.0, 0.0, 1000.0]),
    )


def unchanged(table_mm):
    return table_mm


def looked_at(canvas, camera, undo=unchanged):
    return SeenContent.of(camera.resolution[::-1], canvas, camera, 0.0, undo)


def seen(picture, canvas, camera, blur_mm=0.0):
    """What a 16-bit linear camera sees of a content picture that lies on the table as it should."""
    light = decode_transfer(picture[..., 0] / 255.0, "srgb")
    if blur_mm:
        light = cv2.GaussianBlur(light, (0, 0), blur_mm * canvas.pixels[0] / canvas.size_mm[0])
    v, u = np.indices(camera.resolution[::-1])
    at = table_to_content(canvas, camera.to_plane(np.stack([u, v], axis=-1).astype(float), 0.0)).astype(np.float32)
    sampled = cv2.remap(light.astype(np.float32), at[..., 0], at[..., 1], cv2.INTER_LANCZOS4)
    return np.rint(65535 * np.clip(sampled, 0.0, 1.0)).astype(np.uint16)


def test_gaussian_blur_leaves_the_modulation_of_the_check_values():
    """Blur of 0.3 mm at 0.5 lp/mm: exp(-2 pi^2 0.15^2) = 0.6413806 (check_values.md 5.2).

    0.003: content pixels of 0.1 mm, 8-bit codes, and interpolation between them.
    """
    canvas, camera = content(), above()
    chart = next(c for c in line_charts(canvas) if c.lines_per_mm == 0.5 and c.direction == "across")
    photo = seen(chart_picture(chart, canvas), canvas, camera, blur_mm=0.3)
    black = np.zeros_like(photo)
    found = measure_charts([photo], [chart], black, LINEAR, canvas, looked_at(canvas, camera))
    assert [m.place for m in found] == ["centre", "rim", "rim", "rim", "rim"]
    for one in found:
        assert one.modulation == pytest.approx(0.6413806, abs=0.003)
        assert one.camera_px_per_mm == pytest.approx(PX_PER_MM, rel=1e-6)
        assert one.camera_limit == pytest.approx(np.sinc(0.5 / PX_PER_MM), rel=1e-6)


def test_an_ideal_pixel_at_its_nyquist_limit():
    """2 / pi = 0.6366198 (check_values.md 5.2): 0.25 lp/mm by pixels of 2 mm."""
    assert aperture_modulation(0.25, 2.0) == pytest.approx(0.6366198, abs=1e-7)


def test_a_slope_of_light_across_a_patch_is_no_modulation():
    offset = np.random.default_rng(1).uniform(-10.0, 10.0, (500, 2))
    light = 0.4 + 0.01 * offset[:, 0] - 0.005 * offset[:, 1]
    assert fitted_modulation(light, offset, 0.25, 0) == pytest.approx(0.0, abs=1e-12)
    lined = light * 1.0 + 0.2 * np.cos(2 * np.pi * 0.25 * offset[:, 0] + 0.7)
    assert fitted_modulation(lined, offset, 0.25, 0) == pytest.approx(0.5, abs=1e-12)
    assert np.isnan(fitted_modulation(light[:10], offset[:10], 0.25, 0))
    assert np.isnan(fitted_modulation(1e-4 * light, offset, 0.25, 0))


@pytest.mark.parametrize(("shape", "size"), [("circle", (100.0, 100.0)), ("rectangle", (120.0, 60.0))])
def test_patches_lie_on_the_content(shape, size):
    canvas = content(shape, size)
    half = half_side_mm(canvas)
    for patch in chart_patches(canvas):
        middle = (patch.content_px - (np.array(canvas.pixels) - 1) / 2) / np.array(canvas.pixels) * size
        corner = np.abs(middle) + half
        assert np.hypot(*corner) <= 50.0 if shape == "circle" else (corner <= np.array(size) / 2).all()


def test_no_density_beyond_the_content_pixels():
    """Content pixels of 0.1 mm carry 4 lp/mm at 2.5 pixels each; the list ends at 2."""
    assert max(c.lines_per_mm for c in line_charts(content())) == 2.0
    coarse = Content(shape="circle", size_mm=(100.0, 100.0), centre_mm=np.zeros(2), rotation_rad=0.0, pixels=(100, 100))
    assert {c.lines_per_mm for c in line_charts(coarse)} == {0.0625, 0.125, 0.25}


def test_nine_points_are_the_centres_of_nine_equal_parts():
    """ISO 11315-1: thirds of the sides; rows from the top, left to right."""
    points = nine_points(content("rectangle", (120.0, 60.0)))
    np.testing.assert_allclose(points[:3], [[-40.0, 20.0], [0.0, 20.0], [40.0, 20.0]], atol=1e-9)
    np.testing.assert_allclose(points[4], [0.0, 0.0], atol=1e-9)
    round_ = nine_points(content())
    assert np.hypot(*round_.T).max() < 50.0


def test_light_that_falls_off_to_one_side():
    """Light 0.5 + 0.3 x / 60 mm: 0.3 at x = -40 over 0.7 at x = 40; spots average a linear slope to its middle."""
    canvas, camera = content("rectangle", (120.0, 60.0)), above((130.0, 70.0))
    x = camera.to_plane(np.stack(np.indices(camera.resolution[::-1])[::-1], axis=-1).astype(float), 0.0)[..., 0]
    white = np.rint(65535 * (0.05 + 0.5 + 0.3 * x / 60.0)).astype(np.uint16)
    black = np.full_like(white, round(65535 * 0.05))
    nine = measure_uniformity(white, black, LINEAR, canvas, looked_at(canvas, camera))
    assert nine.uniformity == pytest.approx(0.3 / 0.7, abs=2e-3)  # discs of pixels are not quite symmetric
    assert nine.corner_to_centre == pytest.approx(1.0, abs=2e-3)
    np.testing.assert_allclose(nine.light.reshape(3, 3)[:, 2], 1.0, atol=2e-3)


def test_content_that_was_moved_is_measured_where_it_is():
    """Undo takes what is seen at x back to x - 10: the spots lie 10 mm further right, where it is brighter."""
    canvas, camera = content("rectangle", (90.0, 60.0)), above((130.0, 70.0))
    x = camera.to_plane(np.stack(np.indices(camera.resolution[::-1])[::-1], axis=-1).astype(float), 0.0)[..., 0]
    white = np.rint(65535 * (0.5 + 0.3 * x / 60.0)).astype(np.uint16)
    moved = looked_at(canvas, camera, undo=lambda spot: spot - [10.0, 0.0])
    nine = measure_uniformity(white, np.zeros_like(white), LINEAR, canvas, moved)
    assert nine.uniformity == pytest.approx((0.5 - 0.3 * 20 / 60) / (0.5 + 0.3 * 40 / 60), abs=2e-3)


def test_a_spot_that_the_camera_does_not_see_leaves_the_figure_open():
    canvas, camera = content("rectangle", (120.0, 60.0)), above((70.0, 70.0))
    white = np.full(camera.resolution[::-1], 30000, np.uint16)
    nine = measure_uniformity(white, np.zeros_like(white), LINEAR, canvas, looked_at(canvas, camera))
    assert np.isnan(nine.uniformity)
    assert nine.light[4] == 1.0


def test_light_of_codes_by_a_known_response():
    """Shape 2.4 is the sRGB curve (IEC 61966-2-1) but for its straight toe; 1 is linear."""
    photo = np.zeros((2, 2), np.uint8)
    codes = np.arange(256) / 255.0
    np.testing.assert_allclose(light_table(photo, 1.0), codes, atol=1e-6)
    np.testing.assert_allclose(light_table(photo, 2.4), decode_transfer(codes, "srgb"), atol=2e-3)
    np.testing.assert_allclose(light_table(photo), decode_transfer(codes, "srgb"), atol=1e-6)
    assert len(light_table(np.zeros((2, 2), np.uint16), 2.2)) == 1 << 16
    assert encode_transfer(np.array([1.0]), "srgb")[0] == pytest.approx(1.0)
