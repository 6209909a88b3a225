"""Exact pixel overlaps against an independent polygon clipper and conservation of area."""

import numpy as np

from rigwarp.simulation.overlap import pixel_overlaps, quad_area_px2


def _clipped_area(polygon, left, top, right, bottom):
    """Area within a rectangle: Sutherland and Hodgman (1974), Reentrant polygon clipping, CACM 17(1), then shoelace."""
    for axis, bound, keep in ((0, left, 1), (0, right, -1), (1, top, 1), (1, bottom, -1)):
        clipped = []
        for a, b in zip(polygon, polygon[1:] + polygon[:1], strict=True):
            ina, inb = keep * (a[axis] - bound) >= 0, keep * (b[axis] - bound) >= 0
            if ina != inb:
                t = (bound - a[axis]) / (b[axis] - a[axis])
                crossing = [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])]
            if ina:
                clipped.append(a)
            if ina != inb:
                clipped.append(crossing)
        polygon = clipped
        if not polygon:
            return 0.0
    x, y = np.array(polygon).T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def _areas(x, y, resolution):
    """(N, H, W) areas."""
    width, height = resolution
    table = np.zeros((len(x), height * width))
    for part in pixel_overlaps(x, y, resolution):
        assert (table[part.quad, part.pixel] == 0).all(), "a pair came twice"
        table[part.quad, part.pixel] = part.area_px2
    return table.reshape(-1, height, width)


def _random_quads(count, size, seed):
    random = np.random.default_rng(seed)
    middle = random.uniform(2, 10, (2, count, 1))
    square = np.array([[-1, 1, 1, -1], [-1, -1, 1, 1]])[:, None, :] * size / 2
    turn = random.uniform(0, 2 * np.pi, (count, 1))
    turned = np.stack(
        [np.cos(turn) * square[0] - np.sin(turn) * square[1], np.sin(turn) * square[0] + np.cos(turn) * square[1]]
    )
    return middle + turned + random.normal(0, 0.15 * size, (2, count, 4))


def test_each_area_equals_that_of_a_polygon_clipper():
    resolution = (13, 11)
    for size, seed in ((0.3, 1), (1.1, 2), (4.0, 3), (9.0, 4)):
        x, y = _random_quads(25, size, seed)
        got = _areas(x, y, resolution)
        for n in range(len(x)):
            polygon = np.stack([x[n], y[n]], axis=1).tolist()
            for j in range(resolution[1]):
                for i in range(resolution[0]):
                    # rounding of areas of up to 100 px^2 in double precision
                    expected = _clipped_area(polygon, i - 0.5, j - 0.5, i + 0.5, j + 0.5)
                    assert abs(got[n, j, i] - expected) < 1e-12


def test_upright_and_level_edges_and_edges_on_pixel_borders():
    x = np.array([[-0.5, 1.5, 1.5, -0.5], [0.0, 1.0, 1.0, 0.0], [0.25, 0.75, 0.75 + 1e-11, 0.25]])
    y = np.array([[-0.5, -0.5, 0.5, 0.5], [0.0, 0.0, 2.0, 2.0], [0.0, 0.0, 1.0, 1.0]])
    got = _areas(x, y, (3, 4))
    np.testing.assert_allclose(got[0], [[1, 1, 0], [0, 0, 0], [0, 0, 0], [0, 0, 0]], atol=1e-15)
    np.testing.assert_allclose(got[1], [[0.25, 0.25, 0], [0.5, 0.5, 0], [0.25, 0.25, 0], [0, 0, 0]], atol=1e-15)
    # an edge that is upright to 1e-11 px loses no digits to cancellation
    np.testing.assert_allclose(got[2, :2, :2], [[0.125, 0.125], [0.125, 0.125]], atol=1e-11)


def test_areas_of_a_quad_inside_the_picture_add_up_to_its_own():
    x, y = _random_quads(2000, 1.5, 5)
    total = _areas(x, y, (20, 20)).sum(axis=(1, 2))
    np.testing.assert_allclose(total, quad_area_px2(x, y), rtol=0, atol=1e-13)  # rounding


def test_quads_that_leave_the_picture_keep_only_their_part_inside():
    x = np.array([[-20.0, 30.0, 30.0, -20.0], [100.0, 101.0, 101.0, 100.0], [6.0, 90.0, 90.0, 6.0]])
    y = np.array([[-20.0, -20.0, 30.0, 30.0], [0.0, 0.0, 1.0, 1.0], [3.0, 3.0, 70.0, 70.0]])
    got = _areas(x, y, (8, 5))
    np.testing.assert_allclose(got[0], 1.0, atol=1e-12)
    assert not got[1].any()
    np.testing.assert_allclose(got[2].sum(), 1.5 * 1.5, atol=1e-12)


def test_the_sign_tells_which_way_round():
    x, y = _random_quads(50, 2.0, 6)
    np.testing.assert_allclose(_areas(x[:, ::-1], y[:, ::-1], (15, 15)), -_areas(x, y, (15, 15)), atol=1e-13)


def test_no_quads_no_areas():
    assert list(pixel_overlaps(np.zeros((0, 4)), np.zeros((0, 4)), (4, 4))) == []
