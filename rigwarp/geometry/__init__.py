"""Frames, rays, planes, triangle meshes and per-pixel maps: the vocabulary of every other room."""

from rigwarp.geometry.arrays import Array, BoolArray, IntArray, Photo, Rows
from rigwarp.geometry.frames import (
    Placement,
    at_height,
    look_at,
    plane_rotation,
    rigid_move,
    rotation_from_degrees,
    rotation_from_vector,
    transform_points,
)
from rigwarp.geometry.mesh import ExactFaces, TriangleMesh
from rigwarp.geometry.nurbs import Nurbs
from rigwarp.geometry.pixel_map import PixelMap, ViewMap
from rigwarp.geometry.rays import normalize, plane_hit, reflect

__all__ = [
    "Array",
    "BoolArray",
    "ExactFaces",
    "IntArray",
    "Nurbs",
    "Photo",
    "PixelMap",
    "Placement",
    "Rows",
    "TriangleMesh",
    "ViewMap",
    "at_height",
    "look_at",
    "normalize",
    "plane_hit",
    "plane_rotation",
    "reflect",
    "rigid_move",
    "rotation_from_degrees",
    "rotation_from_vector",
    "transform_points",
]
