"""The tracer for machines without embreex: the same first triangles as embreex, and as every triangle tried in turn."""

import sys

import numpy as np
import pytest
import trimesh

from rigwarp.geometry import TriangleMesh
from rigwarp.tracing.shadows import RayTracer
from rigwarp.tracing.triangle_tree import TriangleTree


def rays(count, seed):
    random = np.random.default_rng(seed)
    origins = random.normal(size=(count, 3))
    origins *= 4.0 / np.linalg.norm(origins, axis=1, keepdims=True)
    return origins, random.uniform(-1.2, 1.2, (count, 3)) - origins


@pytest.mark.parametrize("solid", ["icosphere", "torus", "box", "one triangle"])
def test_first_triangles_are_embreexs(solid):
    made = {
        "icosphere": lambda: trimesh.creation.icosphere(3),
        "torus": lambda: trimesh.creation.torus(0.8, 0.3),
        "box": lambda: trimesh.creation.box((1.0, 1.5, 2.0)),
        "one triangle": lambda: trimesh.Trimesh([[-1, -1, 0], [1, -1, 0], [0, 1, 0]], [[0, 1, 2]]),
    }[solid]()
    mesh = TriangleMesh(vertices_mm=np.asarray(made.vertices), faces=np.asarray(made.faces))
    origins, directions = rays(3000, 1)
    directions[:30, 0] = 0.0  # along the sides of boxes
    found = TriangleTree(mesh).first(origins, directions)
    expected = made.ray.intersects_first(origins, directions)
    # embreex works in float32: rays along an edge may take the neighbour
    assert np.mean(found != expected) < 0.002
    assert (found >= 0).mean() > 0.05


def test_what_is_ahead_counts_and_what_is_behind_does_not():
    square = TriangleMesh(
        vertices_mm=np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0.0]]), faces=np.array([[0, 1, 2], [0, 2, 3]])
    )
    origins = np.array([[0.5, 0.2, 2.0], [0.5, 0.2, -2.0], [3.0, 0.0, 2.0], [0.0, 0.0, 2.0]])
    down = np.tile([0.0, 0.0, -1.0], (4, 1))
    found = TriangleTree(square).first(origins, down)
    assert found[:3].tolist() == [0, -1, -1]
    assert found[3] >= 0  # on the edge between both
    assert TriangleTree(square).first(np.empty((0, 3)), np.empty((0, 3))).shape == (0,)


def test_without_embreex_the_tracer_finds_the_same(monkeypatch):
    ball = trimesh.creation.icosphere(2)
    mesh = TriangleMesh(vertices_mm=np.asarray(ball.vertices), faces=np.asarray(ball.faces))
    origins, directions = rays(500, 2)
    triangle, distance = RayTracer(mesh).first(origins, directions)
    monkeypatch.setitem(sys.modules, "embreex", None)
    ours, ours_distance = RayTracer(mesh).first(origins, directions)
    same = triangle == ours
    assert same.mean() > 0.99
    assert np.allclose(distance[same], ours_distance[same], atol=1e-9)
