"""Mirrors as CAD programs export them, in plain NumPy, and exact rays by which their traces are judged.

All mirrors look along -z, as moulds lie under a projector that shines up; their bodies are on the +z side.
"""

import itertools

import numpy as np

from rigwarp.geometry import TriangleMesh

DOWN = np.array([0.0, 0.0, -1.0])


def paraboloid(radius_mm):
    """z = -r^2 / 2R: concave towards -z for R > 0, as a mirror that gathers a projector's light."""
    return lambda x, y: -(x**2 + y**2) / (2.0 * radius_mm)


def chamfer(width_mm, angle_deg):
    """Rim profile, steps (outwards along the surface, into the body): one flat cut."""
    angle = np.deg2rad(angle_deg)
    return [(width_mm * np.cos(angle), width_mm * np.sin(angle))]


def fillet(radius_mm, *, rows=6, degrees=90.0):
    """Rim profile: a quarter of a circle that leaves the surface without a crease."""
    angles = np.deg2rad(np.linspace(0.0, degrees, rows + 1)[1:])
    return [(radius_mm * np.sin(a), radius_mm * (1.0 - np.cos(a))) for a in angles]


def mould(
    sag, *, half_mm=(60.0, 45.0), edge_mm=5.0, rim=(), back_mm=30.0, floor=None, depth_mm=0.4, hole=None, rng=None
):
    """A solid whose front is z = sag(x, y), stored as a binary STL stores it.

    Parameters
    ----------
    sag : heights of (N,) x and y.
    half_mm : half sides of the front.
    edge_mm : of its triangles; with `rng`, the vertices within lie irregularly.
    rim : profile of a chamfer or fillet.
    back_mm : height of the flat back.
    floor, hole : functions of (x, y) of a cell's middle: whether it is engraved by `depth_mm`, or cut through.
    """
    counts = [max(2, round(2 * h / edge_mm)) + 1 for h in half_mm]
    x, y = np.meshgrid(*(np.linspace(-h, h, n) for h, n in zip(half_mm, counts, strict=True)), indexing="ij")
    middle = [0.25 * (a[1:, 1:] + a[:-1, 1:] + a[1:, :-1] + a[:-1, :-1]) for a in (x, y)]
    label = np.zeros(middle[0].shape, int)
    for number, cut in ((1, floor), (2, hole)):
        if cut is not None:
            label[cut(*middle)] = number
    if rng is not None:
        step = rng.uniform(-0.3, 0.3, (2, *x.shape)) * edge_mm
        step[:, [0, -1]] = step[:, :, [0, -1]] = 0.0
        x, y = x + step[0], y + step[1]
    front = np.stack([x, y, sag(x, y)], axis=-1)
    back = np.stack([x, y, np.full_like(x, back_mm)], axis=-1)
    layers = [front, front + np.array([0.0, 0.0, depth_mm]), back]
    loops = _rim_loops(front, sag, rim)
    last = loops[-1]
    quads = [*_layer_quads(layers, label), *_wall_quads(layers, label)]
    corners = np.concatenate([*quads, *_rim_quads(loops, back, last)])
    return soup(_outward(corners, x, y))


def _layer_quads(layers, label):
    """Fronts, floors and backs: (N, 4, 3) corners and, as row 4, the direction that each looks."""
    for layer, wanted, look in ((0, label == 0, -1.0), (1, label == 1, -1.0), (2, label != 2, 1.0)):
        p = layers[layer]
        cells = np.stack([p[:-1, :-1], p[1:, :-1], p[1:, 1:], p[:-1, 1:]], axis=-2)[wanted]
        yield np.concatenate([cells, np.broadcast_to([0.0, 0.0, look], (len(cells), 1, 3))], axis=1)


def _wall_quads(layers, label):
    for axis in (0, 1):
        one, two = (label[1:], label[:-1]) if axis == 0 else (label[:, 1:], label[:, :-1])
        for first in range(3):
            for second in range(first + 1, 3):
                for towards, (a, b) in ((1.0, (two, one)), (-1.0, (one, two))):
                    i, j = np.nonzero((a == first) & (b == second))
                    i, j = (i + 1, j) if axis == 0 else (i, j + 1)
                    along = (i, j + 1) if axis == 0 else (i + 1, j)
                    upper, lower = layers[first], layers[second]
                    quad = np.stack([upper[i, j], upper[along], lower[along], lower[i, j]], axis=1)
                    look = np.zeros(3)
                    look[axis] = towards
                    yield np.concatenate([quad, np.broadcast_to(look, (len(quad), 1, 3))], axis=1)


def _around(p):
    """(K, 3) rim of a grid of points in order."""
    return np.concatenate([p[:-1, 0], p[-1, :-1], p[:0:-1, -1], p[0, :0:-1]])


def _rim_loops(front, sag, rim):
    start = _around(front)
    out = np.zeros(front.shape)
    out[0, :, 0], out[-1, :, 0] = -1.0, 1.0
    out[:, 0, 1], out[:, -1, 1] = -1.0, 1.0
    out = _around(out)
    h = 1e-4
    x, y = start[:, 0], start[:, 1]
    slope = np.stack([sag(x + h, y) - sag(x - h, y), sag(x, y + h) - sag(x, y - h)], axis=-1) / (2 * h)
    into = np.concatenate([-slope, np.ones((len(x), 1))], axis=1)
    into /= np.linalg.norm(into, axis=1, keepdims=True)
    along = out - np.sum(out * into, axis=1, keepdims=True) * into
    return [start, *(start + a * along + b * into for a, b in rim)]


def _rim_quads(loops, back, last):
    loops = [*loops, np.column_stack([last[:, :2], np.full(len(last), back[0, 0, 2])]), _around(back)]
    for upper, lower in itertools.pairwise(loops):
        quad = np.stack([upper, np.roll(upper, -1, axis=0), np.roll(lower, -1, axis=0), lower], axis=1)
        middle = quad.mean(axis=1) - loops[0].mean(axis=0) - [0.0, 0.0, 0.5 * back[0, 0, 2]]
        yield np.concatenate([quad, middle[:, None]], axis=1)


def _outward(quads, x, y):
    """(M, 3, 3) triangles of quads, wound so that they look the way that row 4 says; those without area left out."""
    triangles = np.concatenate([quads[:, [0, 1, 2, 4]], quads[:, [0, 2, 3, 4]]])
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    triangles = triangles[np.linalg.norm(normal, axis=1) > 1e-9]
    normal = normal[np.linalg.norm(normal, axis=1) > 1e-9]
    flip = np.sum(normal * triangles[:, 3], axis=1) < 0.0
    return np.where(flip[:, None, None], triangles[:, [0, 2, 1]], triangles[:, :3])


def soup(triangles, *, stored=np.float32):
    """(M, 3, 3) triangles as a binary STL keeps them."""
    corners = np.asarray(triangles, float).reshape(-1, 3).astype(stored).astype(float)
    return TriangleMesh(vertices_mm=corners, faces=np.arange(len(corners)).reshape(-1, 3))


def joined(*meshes):
    """Several bodies in one file."""
    return soup(np.concatenate([m.vertices_mm[m.faces] for m in meshes]), stored=float)


def box(low_mm, high_mm):
    """A closed block."""
    corners = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], float)
    p = np.asarray(low_mm) + corners * (np.asarray(high_mm) - np.asarray(low_mm))
    quads = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]]
    return soup(np.array([p[[q[0], q[i], q[i + 1]]] for q in quads for i in (1, 2)]))


def strips(profile, *, half_y_mm=45.0, thickness_mm=None):
    """A bent sheet as CAD kernels write it: full-length strips between the profile's (N, 2) x, z; y from -half to half.

    With a thickness, the sheet is a closed solid.
    """
    x, z = np.asarray(profile, float).T
    near = np.column_stack([x, np.full_like(x, -half_y_mm), z])
    far = np.column_stack([x, np.full_like(x, half_y_mm), z])
    sheets = [_ribbon(near, far)]
    if thickness_mm is not None:
        up = np.array([0.0, 0.0, thickness_mm])
        sheets += [_ribbon(far + up, near + up), _ribbon(near + up, near), _ribbon(far, far + up)]
        sheets += [
            _ribbon(np.stack([a, a + up]), np.stack([b, b + up])) for a, b in ((far[0], near[0]), (near[-1], far[-1]))
        ]
    return soup(np.concatenate(sheets))


def _ribbon(near, far):
    """Triangles between two lines of points, looking down where `near` lies at smaller y and x rises."""
    a = np.stack([near[:-1], far[:-1], near[1:]], axis=1)
    b = np.stack([near[1:], far[:-1], far[1:]], axis=1)
    return np.concatenate([a, b])


def ball(radius_mm, *, sectors, polar_deg=180.0):
    """A ball (or its cap around its lowest point) with its lowest point at the origin, poles along z."""
    rings = max(3, round(sectors * polar_deg / 360.0))
    polar = np.deg2rad(np.linspace(0.0, polar_deg, rings + 1))[:, None]
    turn = 2 * np.pi * np.arange(sectors + 1)[None] / sectors
    p = radius_mm * np.stack(
        [np.sin(polar) * np.cos(turn), np.sin(polar) * np.sin(turn), 1.0 - np.cos(polar) + 0.0 * turn], axis=-1
    )
    a = np.stack([p[:-1, :-1], p[1:, :-1], p[1:, 1:]], axis=-2).reshape(-1, 3, 3)
    b = np.stack([p[:-1, :-1], p[1:, 1:], p[:-1, 1:]], axis=-2).reshape(-1, 3, 3)
    triangles = np.concatenate([a, b])
    area = np.linalg.norm(np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]), axis=1)
    triangles = triangles[area > 1e-7]
    outward = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    flip = np.sum(outward * (triangles.mean(axis=1) - [0, 0, radius_mm]), axis=1) < 0
    return soup(np.where(flip[:, None, None], triangles[:, ::-1], triangles))


def exact_spots(rig, height, slope, *, guess_mm=0.0):
    """(H, W, 2) where each pixel's ray lands by way of z = height(x, y), found by Newton's steps to rounding.

    `slope(x, y)` gives dz/dx and dz/dy. The caller judges which rays meet the real mirror.
    """
    from rigwarp.tracing.pinhole import pixel_rays

    width, rows = rig.projector.resolution
    d = pixel_rays(rig.projector, np.stack(np.meshgrid(np.arange(width), np.arange(rows)), axis=-1).astype(float))
    o = rig.projector.placement.position_mm
    t = (guess_mm - o[2]) / d[..., 2]
    with np.errstate(invalid="ignore", divide="ignore"):
        for _ in range(30):
            x, y = o[0] + t * d[..., 0], o[1] + t * d[..., 1]
            sx, sy = slope(x, y)
            t = t - (o[2] + t * d[..., 2] - height(x, y)) / (d[..., 2] - sx * d[..., 0] - sy * d[..., 1])
        p = o + t[..., None] * d
        spots = reflected_spots(rig, d, p, slope(p[..., 0], p[..., 1]))
    return spots, p


def reflected_spots(rig, d, p, slopes):
    """(H, W, 2) where rays along d (H, W, 3) land that meet a mirror of these slopes (dz/dx, dz/dy) at p (H, W, 3)."""
    n = np.stack([-slopes[0], -slopes[1], np.ones_like(slopes[0])], axis=-1)
    n = n / np.linalg.norm(n, axis=-1, keepdims=True)
    out = d - 2.0 * np.sum(d * n, axis=-1, keepdims=True) * n
    with np.errstate(invalid="ignore", divide="ignore"):
        reach = (rig.table.height_mm - p[..., 2]) / out[..., 2]
    spots = p[..., :2] + reach[..., None] * out[..., :2]
    spots[~(reach > 0.0)] = np.nan
    return spots
