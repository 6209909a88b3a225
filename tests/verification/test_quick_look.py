"""Five photographs of a sparse grid of dots: reading them, and the file that keeps them."""

import numpy as np
import pytest

from rigwarp.camera import CameraModel
from rigwarp.errors import InputError, MeasurementError
from rigwarp.files.quick_file import read_quick_file, write_quick
from rigwarp.rig import Content
from rigwarp.verification import QuickState, ambient_light, quick_pictures, quick_plan, read_quick
from rigwarp.verification.drift.quick import SHOWN

CONTENT = Content(shape="circle", size_mm=(360.0, 360.0), centre_mm=np.zeros(2), rotation_rad=0.0, pixels=(720, 720))
PX_PER_MM = 1.5


@pytest.fixture(scope="module")
def plan():
    return quick_plan(CONTENT)


@pytest.fixture(scope="module")
def camera():
    """A pinhole straight above, 1.5 pixels to the millimetre."""
    return CameraModel(
        resolution=(600, 600),
        matrix=np.array([[1500.0, 0.0, 299.5], [0.0, 1500.0, 299.5], [0.0, 0.0, 1.0]]),
        distortion=np.zeros(5),
        R_camera_from_table=np.diag([1.0, -1.0, -1.0]),
        t_camera_from_table_mm=np.array([0.0, 0.0, 1000.0]),
    )


def photographs(plan, camera, spots_mm, *, seed=0, light=0.5, ambient=0.02):
    """Gaussian dots of the plan's width at places on the table, photon-like noise, sRGB codes."""
    random = np.random.default_rng(seed)
    v, u = np.indices(camera.resolution[::-1])
    table = camera.to_plane(np.stack([u, v], axis=-1).astype(float), 0.0)
    dots = np.zeros(u.shape)
    for spot in spots_mm:
        near = np.hypot(*(table - spot).transpose(2, 0, 1)) < 12.0
        dots[near] += np.exp(-0.5 * np.sum((table[near] - spot) ** 2, axis=-1) / (plan.diameter_mm / 3.0) ** 2)
    photos = []
    for shown in SHOWN:
        linear = ambient + (light * dots if shown else 0.0) + 0.002 * random.normal(size=dots.shape)
        linear = np.clip(linear, 0.0, 1.0)
        code = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
        photos.append(np.round(255 * code).astype(np.uint8))
    return photos


def test_the_grid_does_not_match_itself_one_spacing_aside(plan):
    """Shifted by a spacing in any direction, some seventh of the dots would fall into holes."""
    taken = {tuple(cell) for cell in plan.grid}
    for step in [(1, 0), (0, 1), (1, 1), (1, -1)]:
        inner = [cell for cell in taken if np.hypot(*cell) < 3]
        into_holes = sum((cell[0] + step[0], cell[1] + step[1]) not in taken for cell in inner)
        assert into_holes >= 2


def test_pictures_alternate(plan):
    pictures = quick_pictures(plan)
    assert [picture.any() for picture in pictures] == list(SHOWN)


@pytest.mark.parametrize("shift", [(0.0, 0.0), (6.0, -9.0)])
def test_dots_are_read_where_they_are(plan, camera, shift):
    """A hundredth of a pixel's width of noise; 0.05 mm is a thirteenth of a pixel."""
    spots = plan.table_mm + np.array(shift)
    look = read_quick(photographs(plan, camera, spots), plan.ids, plan.table_mm, plan, camera, 0.0)
    np.testing.assert_array_equal(look.ids, plan.ids)
    assert np.abs(look.table_mm - spots).max() < 0.05
    z = (look.table_mm - spots) / look.sigma_mm[:, None]
    assert 0.5 < np.sqrt(np.mean(z**2)) < 2.0
    assert look.strangers == 0


def test_light_is_measured(plan, camera):
    """Flux follows the light: 60 % of it gives 60 % of the flux, to the noise of a dot."""
    full, less = (
        read_quick(photographs(plan, camera, plan.table_mm, light=light), plan.ids, plan.table_mm, plan, camera, 0.0)
        for light in (0.5, 0.3)
    )
    assert np.median(less.flux / full.flux) == pytest.approx(0.6, abs=0.01)
    assert np.median(ambient_light(photographs(plan, camera, plan.table_mm, ambient=0.04))) == pytest.approx(
        0.04, abs=0.002
    )


def test_lost_dots_are_lost_and_strangers_counted(plan, camera):
    spots = plan.table_mm.copy()
    spots[3] += [16.0, 16.0]  # nearly half a spacing both ways: no longer in reach
    look = read_quick(photographs(plan, camera, spots), plan.ids, plan.table_mm, plan, camera, 0.0)
    assert set(plan.ids) - set(look.ids) == {3}
    assert look.strangers == 1


def test_dark_photographs_are_refused(plan, camera):
    with pytest.raises(MeasurementError, match="were found"):
        read_quick(photographs(plan, camera, []), plan.ids, plan.table_mm, plan, camera, 0.0)
    with pytest.raises(MeasurementError, match="4 photos of 5"):
        read_quick(photographs(plan, camera, [])[:4], plan.ids, plan.table_mm, plan, camera, 0.0)


def state(plan, camera, **changes):
    count = len(plan.ids)
    values = {
        "camera": camera,
        "ambient": np.full((600, 600), 0.02, np.float32),
        "ids": plan.ids,
        "table_mm": plan.table_mm,
        "sigma_mm": np.full(count, 0.01),
        "flux": np.ones(count),
        "pixels_px": plan.content_px,
        "zone": np.zeros(count, np.int64),
        "mounting": np.zeros(12),
        "exposure_s": 0.03,
    }
    return QuickState(**(values | changes))


def test_the_file_holds_it_all(plan, camera, tmp_path):
    write_quick(tmp_path / "quick.npz", state(plan, camera), rig_hash="abc")
    back, header = read_quick_file(tmp_path / "quick.npz")
    assert header["rig_hash"] == "abc"
    assert back.exposure_s == 0.03
    np.testing.assert_array_equal(back.table_mm, plan.table_mm)
    np.testing.assert_allclose(back.ambient, 0.02, atol=1 / 65535)
    np.testing.assert_array_equal(back.camera.matrix, camera.matrix)


@pytest.mark.parametrize(
    "changes",
    [
        {"sigma_mm": "negative"},
        {"flux": "negative"},
        {"mounting": "nan"},
        {"ids": "backwards"},
        {"zone": "negative"},
    ],
    ids=lambda changes: next(iter(changes)),
)
def test_numbers_that_no_look_can_give_are_refused(plan, camera, tmp_path, changes):
    good = state(plan, camera)
    ((name, how),) = changes.items()
    array = getattr(good, name).copy()
    spoiled = array[::-1] if how == "backwards" else -np.abs(array) - 1 if how == "negative" else array * np.nan
    write_quick(tmp_path / "quick.npz", state(plan, camera, **{name: spoiled.astype(array.dtype)}), rig_hash="abc")
    with pytest.raises(InputError, match=r"quick\.npz"):
        read_quick_file(tmp_path / "quick.npz")
