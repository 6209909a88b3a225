"""Light transport: conservation, superposition, closed forms of a flat mirror, the exit pupil."""

import numpy as np
import pytest

from rigwarp.rig import inside_table

ROOF = """
kind = "facets"
position_mm = [0, 0, 700]
[[mirror.facet]]
corners_mm = [[-500, -300, 8.73], [-500, 300, 8.73], [0, 300, 0], [0, -300, 0]]
[[mirror.facet]]
corners_mm = [[0, -300, 0], [0, 300, 0], [500, 300, 8.73], [500, -300, 8.73]]
"""
FLAT = """
kind = "facets"
position_mm = [0, 0, 700]
[[mirror.facet]]
corners_mm = [[-200, -200, 0], [-200, 200, 0], [200, 200, 0], [200, -200, 0]]
"""

# two panels that meet along x = 0 and throw their light across each other
GABLE = """
kind = "facets"
position_mm = [0, 0, 700]
"""
LEFT = "[[mirror.facet]]\ncorners_mm = [[-150, -150, -20], [-150, 150, -20], [0, 150, 0], [0, -150, 0]]\n"
RIGHT = "[[mirror.facet]]\ncorners_mm = [[0, -150, 0], [0, 150, 0], [150, 150, -20], [150, -150, -20]]\n"


def _matrix(virtual):
    virtual.prepare()
    return virtual._scene.transport


def _surely_seen(virtual, margin_px=6):
    """Projector pixels whose light lands well inside the table top and well inside the picture."""
    spot = virtual.true_map()
    inner = (np.hypot(spot.x_mm, spot.y_mm) < 255).ravel()  # the table top ends at 270 mm
    u, v = virtual._view.to_pixels(spot.x_mm.ravel(), spot.y_mm.ravel())
    width, height = virtual.camera.resolution
    with np.errstate(invalid="ignore"):
        return inner & (u > margin_px) & (u < width - 1 - margin_px) & (v > margin_px) & (v < height - 1 - margin_px)


@pytest.fixture(scope="module")
def rough(make_virtual):
    """A convex mirror with everything wrong with it, and a wide pupil."""
    return make_virtual(
        replace={"pupil_diameter_mm = 0\npupil_samples = 1": "pupil_diameter_mm = 4\npupil_samples = 7"},
        extra="""
[built]
radius_percent = 1
astigmatism_um = 30
[[built.dent]]
position_mm = [6, 4]
width_mm = 5
depth_um = 60
[[built.ripple]]
amplitude_um = 1
period_mm = 4
direction_deg = 20
""",
    )


def test_light_is_conserved(rough):
    sums = np.asarray(_matrix(rough).sum(axis=0, dtype=np.float64)).ravel()
    seen = _surely_seen(rough)
    assert seen.sum() > 10_000
    np.testing.assert_allclose(sums[seen], 1.0, rtol=0, atol=1e-6)  # single-precision entries, a dozen per pixel
    assert abs(sums[seen].sum() / seen.sum() - 1) < 1e-6
    assert sums.max() < 1 + 1e-6  # nowhere is light invented
    assert _matrix(rough).data.min() >= 0


def test_a_pixel_spreads_its_light_as_random_rays_do(rough):
    """The same light as a storm of single rays: no quads, no areas, only hits counted per camera pixel."""
    matrix = _matrix(rough)
    random = np.random.default_rng(8)
    rays = 40_000
    width, height = rough.camera.resolution
    for u0, v0 in ((160, 90), (172, 98), (120, 100), (200, 60)):
        share = np.zeros(width * height)
        for k in range(7):
            u, v = u0 + random.uniform(-0.5, 0.5, rays), v0 + random.uniform(-0.5, 0.5, rays)
            landing = rough.path.land(u, v, k)
            seen_u, seen_v = rough._view.to_pixels(landing.x_mm, landing.y_mm)
            hit = np.rint(seen_v).astype(int) * width + np.rint(seen_u).astype(int)
            share += np.bincount(hit, minlength=width * height) / (7 * rays)
        column = matrix[:, [v0 * 320 + u0]].toarray().ravel()
        assert (column > 0).sum() > 2
        # counting noise is 0.001 (1 sigma) at most; straight edges and even light within a quad cost about as much
        assert np.abs(column - share).max() < 0.01
        assert np.abs(column - share).sum() < 0.03


def test_overlapping_light_adds(make_virtual):
    focus = {"pupil_samples = 1": "pupil_samples = 1\nfocus_mm = 1000"}
    both, left, right = (
        _matrix(make_virtual(mirror=GABLE + panels, projector=[5, 0, 200], replace=focus))
        for panels in (LEFT + RIGHT, LEFT, RIGHT)
    )
    white = np.ones(both.shape[1])
    a, b = left @ white, right @ white
    assert ((a > 0) & (b > 0)).sum() > 1000  # the two do overlap
    assert abs(both - (left + right)).max() < 1e-6


def test_a_fold_adds_its_layers(make_virtual):
    """A dent deep enough to focus its light before the table turns part of the picture round."""
    dent = "[built]\n[[built.dent]]\nposition_mm = [0, 0]\nwidth_mm = 12\ndepth_um = 900\n"
    virtual = make_virtual(extra=dent)
    spot = virtual.true_map()
    dx_du = np.gradient(spot.x_mm, axis=1)
    dy_dv = np.gradient(spot.y_mm, axis=0)
    dx_dv, dy_du = np.gradient(spot.x_mm, axis=0), np.gradient(spot.y_mm, axis=1)
    turn = np.sign(dx_du * dy_dv - dx_dv * dy_du)
    assert np.nansum(turn > 0) > 100
    assert np.nansum(turn < 0) > 100
    matrix = _matrix(virtual)
    assert matrix.data.min() >= 0
    sums = np.asarray(matrix.sum(axis=0, dtype=np.float64)).ravel()
    np.testing.assert_allclose(sums[_surely_seen(virtual)], 1.0, rtol=0, atol=1e-6)


def test_a_flat_mirror_is_a_second_projector_behind_it(make_virtual):
    tilt = 20.0
    virtual = make_virtual(mirror=FLAT, projector=[0, 0, 200], projector_rotation=[tilt, 0, 0])
    spot = virtual.true_map()
    u, v = np.meshgrid(np.arange(320.0), np.arange(180.0))
    focal = 1.2 * 320
    c, s = np.cos(np.deg2rad(tilt)), np.sin(np.deg2rad(tilt))
    x, y = (u - 159.5) / focal, (v - 89.5) / focal
    direction = np.stack([x, c * y - s, -(s * y + c)])  # turned about x, then mirrored in z = 700
    path = 1200.0 / -direction[2]  # the mirrored pinhole stands at z = 1200
    expected = np.stack([path * direction[0], path * direction[1]], axis=-1)
    lit = spot.answered
    assert lit.sum() > 3000
    np.testing.assert_allclose(spot.table_mm[lit], expected[lit], rtol=0, atol=1e-9)  # mm, rounding


def test_the_middle_of_the_gathered_light_is_where_the_map_says(make_virtual):
    built = "[built]\nradius_percent = 1\nastigmatism_um = 30\nseat_turn_deg = [0.5, 0.3, 0]\n"
    virtual = make_virtual(extra=built)
    matrix = _matrix(virtual)
    width = virtual.camera.resolution[0]
    pixel = np.arange(matrix.shape[0])
    sums = np.asarray(matrix.sum(axis=0, dtype=np.float64)).ravel()
    seen = _surely_seen(virtual)
    u = (matrix.T @ (pixel % width).astype(float))[seen] / sums[seen]
    v = (matrix.T @ (pixel // width).astype(float))[seen] / sums[seen]
    spot = virtual.true_map()
    cu, cv = virtual._view.to_pixels(spot.x_mm.ravel()[seen], spot.y_mm.ravel()[seen])
    # camera pixels round: the middle of a strip w px wide, found from whole pixels, is off by up to 1/(8 w) per axis,
    # at random; w is 1.2 to 2 px here, and the bend of the picture within a pixel adds about 0.01 px
    distance = np.hypot(u - cu, v - cv)
    assert distance.max() < 0.18
    # a systematic shift anywhere in the chain, such as half a pixel, would show here
    assert abs((u - cu).mean()) < 0.003
    assert abs((v - cv).mean()) < 0.003


def test_beside_a_fold_the_map_tells_where_most_of_a_pixels_light_goes(make_virtual):
    """The pupil's rays part at the ridge; their mean would lie between the two pictures, where no light is."""
    pupil = {"pupil_diameter_mm = 0": "pupil_diameter_mm = 6", "pupil_samples = 1": "pupil_samples = 7"}
    changes = {"mirror": ROOF, "projector": [0, 0, 200], "table_size": "diameter_mm = 1200"}
    wide, sharp = (make_virtual(replace=replace, **changes).true_map() for replace in (pupil, {}))
    both = wide.answered & sharp.answered & (wide.zone == sharp.zone)
    ridge = np.abs(np.arange(320) - 159.5) < 4.0  # 6 mm at 500 mm from the lens: 4.6 px
    assert both[:, ridge].sum() > 500
    # the part of the pupil on one side of the ridge is off its middle by up to 2 mm; out of focus by at most
    # 1200 mm x tan(2 deg) x 0.35 / 1200 = 1.2 % of that
    off = np.linalg.norm(wide.table_mm - sharp.table_mm, axis=-1)[both]
    assert off.max() < 0.1  # mm; the two pictures lie 84 mm apart


def test_a_flat_mirror_lights_the_table_evenly_whatever_the_camera(make_virtual):
    virtual = make_virtual(
        mirror=FLAT,
        projector=[0, 0, 200],
        replace={"focal_px = 450": "focal_px = 450\ndistortion = [-0.1, 0.02, 0.001, 0, 0]"},
    )
    virtual.prepare()
    radiance = virtual._scene.radiance(np.ones((180, 320), np.float32))
    u, v = np.meshgrid(np.arange(480.0), np.arange(270.0))
    x, y = virtual._view.to_table(u, v)
    # a pinhole square to the table spreads equal light over equal areas: its picture there is 1200 / 1.2 wide, and
    # one pixel 3.1 mm; stay clear of the rim of the picture and of the table
    clear = (np.hypot(x, y) < 240) & (np.abs(y) < 1000 * 180 / 320 / 2 - 10)
    assert clear.sum() > 5000
    # light is spread evenly over each quad on the sensor, not on the table: perspective within a quad 3 px wide
    np.testing.assert_allclose(radiance[clear] / np.median(radiance[clear]), 1.0, rtol=0, atol=8e-4)


def test_a_pupil_of_no_width_is_a_single_ray(make_virtual):
    one = _matrix(make_virtual())
    seven = _matrix(make_virtual(replace={"pupil_samples = 1": "pupil_samples = 7"}))
    assert abs(one - seven).max() < 1e-6  # the same numbers, added up in single precision


def test_a_wide_pupil_smears_light_off_a_rippled_mirror(make_virtual):
    stripes = np.zeros((180, 320), np.float32)
    stripes[:, ::4] = stripes[:, 1::4] = 1.0
    ripple = "[built]\n[[built.ripple]]\namplitude_um = 4\nperiod_mm = 3\ndirection_deg = 0\n"

    def modulation(pupil_mm, extra):
        virtual = make_virtual(
            replace={"pupil_diameter_mm = 0\npupil_samples = 1": f"pupil_diameter_mm = {pupil_mm}\npupil_samples = 7"},
            extra=extra,
        )
        virtual.prepare()
        light = virtual._scene.radiance(stripes)
        dark = virtual._scene.radiance(1 - stripes)
        lit = light + dark > 0.2
        return float(np.mean(np.abs(light - dark)[lit] / (light + dark)[lit]))

    sharp, smooth_wide = modulation(0, ripple), modulation(4, "")
    rippled_wide = modulation(4, ripple)
    assert sharp > 0.4
    assert smooth_wide > 0.4
    assert rippled_wide < 0.75 * min(sharp, smooth_wide)


def test_the_focus_ring_is_turned_to_where_the_mirror_equation_says(make_virtual):
    # paraxial: after a convex mirror of R = 100 the light from focus s behind it must meet the table at 400 mm:
    # 1/s = 1/400 + 2/100, so s = 44.44 behind a mirror that is 90 away (check values 1.2)
    near_axis = make_virtual(table_size="diameter_mm = 40", content_mm=30)
    assert abs(near_axis.path.focus_mm - 134.444) < 0.05  # mm; spherical aberration over 3 mm of mirror
    flat = make_virtual(mirror=FLAT, projector=[0, 0, 200])
    assert abs(flat.path.focus_mm - 1200.0) < 1e-3
    # each side of a shallow roof turns the plane of the table by 2 x 1 degree against the picture's: mirrored, the side
    # meets 1200 - x tan(2 deg) or so; both average to the flat mirror's focus. Pupil rays that fall on the other side
    # of the ridge land 42 mm away and would pull the ring by hundreds of mm
    roof = make_virtual(mirror=ROOF, projector=[0, 0, 200])
    assert abs(roof.path.focus_mm - 1200.0) < 15.0


def test_hexagons_of_pupil_points_have_the_spread_of_a_disc():
    from rigwarp.simulation.projector import pupil_points

    for count in (7, 19, 37):
        points = pupil_points(4.0, count)
        assert points.shape == (count, 2)
        np.testing.assert_allclose(points.mean(axis=0), 0, atol=1e-12)
        np.testing.assert_allclose(np.cov(points.T, bias=True), np.eye(2) * 4.0**2 / 16, atol=1e-12)  # disc: d^2 / 16
        assert np.hypot(*points.T).max() < 2.0 * 1.1  # the outermost stand for area on both sides of them
    np.testing.assert_array_equal(pupil_points(4.0, 1), [[0.0, 0.0]])


def test_light_that_misses_the_mirror_may_fall_on_the_table(make_virtual):
    """A projector that looks past a small mirror at the table."""
    small = FLAT.replace("200", "20")
    virtual = make_virtual(mirror=small, projector=[0, 0, 1200], projector_rotation=[180, 0, 0])
    spot = virtual.true_map()
    assert (spot.zone == 1).sum() > 1000  # one piece of mirror, so the number after it
    middle = spot.zone[80:100, 150:170]
    assert (middle == -1).all()  # shadow of the mirror
    assert inside_table(virtual._rig.table, spot.table_mm[spot.answered] * (1 - 20 / 270)).all()
