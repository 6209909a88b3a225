"""Mirrors drawn and exported by two outside kernels: OpenCASCADE (exact faces) and manifold (a mesh kernel)."""

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

HALF_MM = (60.0, 45.0)
_BACK_MM = 30.0
_HOLE_MM = (20.0, -15.0, 6.0)  # x, y, radius
_STROKES = [(x, -4.0, 1.2, 8.0) for x in (-24.0, -18.0, -12.0, -6.0)] + [
    (-24.0, -0.6, 7.2, 1.2),
    (-12.0, -0.6, 7.2, 1.2),
]
_FACET_MM = 4.0  # across, in the middle
_RIM_MM = 1.5  # of chamfers and roundings

Field = Callable[[Any, Any], Any]


@dataclass(frozen=True, kw_only=True)
class Surface:
    """z = height(x, y) of the face that reflects, looking along -z, and its slopes (dz/dx, dz/dy)."""

    height: Field
    slope: Callable[[Any, Any], tuple[Any, Any]]


@dataclass(frozen=True, kw_only=True)
class Part:
    """One export.

    Attributes
    ----------
    name : what it is.
    kernel : which drew it.
    file : name of the file, whose ending says the format.
    write : writes it.
    surface : of the face that reflects.
    half_mm : within which half sides it is clean.
    cut : features that leave out what lies around them.
    shaded : whether a part of the body stands in the light.
    turned_rad : rotation vector by which the part lies turned in its file; the rig turns it back.
    """

    name: str
    kernel: str
    file: str
    write: Callable[[Path], None]
    surface: Surface
    half_mm: tuple[float, float] = (HALF_MM[0] - _RIM_MM - 0.5, HALF_MM[1] - _RIM_MM - 0.5)
    cut: tuple[str, ...] = ()
    shaded: bool = False
    turned_rad: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def clean(self, x: Any, y: Any, *, margin_mm: float = 1.5) -> Any:
        """Whether points lie on the clean face."""
        inside = (np.abs(x) < self.half_mm[0]) & (np.abs(y) < self.half_mm[1])
        if "hole" in self.cut:
            inside &= np.hypot(x - _HOLE_MM[0], y - _HOLE_MM[1]) > _HOLE_MM[2] + margin_mm
        if "facet" in self.cut:
            inside &= np.hypot(x, y) > 0.5 * _FACET_MM + margin_mm
        if "text" in self.cut:
            for x0, y0, dx, dy in _STROKES:
                inside &= ~(
                    (x > x0 - margin_mm) & (x < x0 + dx + margin_mm) & (y > y0 - margin_mm) & (y < y0 + dy + margin_mm)
                )
        return inside


def sphere(radius_mm: float) -> Surface:
    """Convex towards -z, its lowest point at the origin."""

    def root(x: Any, y: Any) -> Any:
        return np.sqrt(radius_mm**2 - x * x - y * y)

    return Surface(height=lambda x, y: radius_mm - root(x, y), slope=lambda x, y: (x / root(x, y), y / root(x, y)))


def cylinder(radius_mm: float) -> Surface:
    """Hollow towards -z, its axis along y."""

    def root(x: Any) -> Any:
        return np.sqrt(radius_mm**2 - x * x)

    return Surface(height=lambda x, y: root(x) - radius_mm + 0.0 * y, slope=lambda x, y: (-x / root(x), 0.0 * y))


def paraboloid(radius_mm: float) -> Surface:
    """Hollow towards -z."""
    return Surface(
        height=lambda x, y: -(x * x + y * y) / (2.0 * radius_mm), slope=lambda x, y: (-x / radius_mm, -y / radius_mm)
    )


def wavy(amplitude_mm: float) -> Surface:
    """A paraboloid with a gentle wave."""
    k = 0.05
    return Surface(
        height=lambda x, y: -(x * x + y * y) / 1400.0 + amplitude_mm * np.sin(k * x) * np.cos(k * y),
        slope=lambda x, y: (
            -x / 700.0 + amplitude_mm * k * np.cos(k * x) * np.cos(k * y),
            -y / 700.0 - amplitude_mm * k * np.sin(k * x) * np.sin(k * y),
        ),
    )


# OpenCASCADE


class _Spline:
    """A B-spline face through a grid of heights; `exact` is the kernel's own evaluation of it."""

    def __init__(self, heights: Field, *, counts: tuple[int, int]) -> None:
        self.surface = self._drawn(heights, counts)
        self.exact = Surface(height=self._height, slope=self._slope)
        self._low = low = [-h - 3.0 for h in HALF_MM]
        u0, u1, v0, v1 = self.surface.Bounds()
        self._from, self._per = (u0, v0), ((u1 - u0) / (2 * -low[0]), (v1 - v0) / (2 * -low[1]))

    def _drawn(self, heights: Field, counts: tuple[int, int]) -> Any:
        from OCP.collections import Array2_double
        from OCP.GeomAPI import GeomAPI_PointsToBSplineSurface

        low = [-h - 3.0 for h in HALF_MM]
        step = [2.0 * (h + 3.0) / (n - 1) for h, n in zip(HALF_MM, counts, strict=True)]
        z = Array2_double(1, counts[0], 1, counts[1])
        for i in range(counts[0]):
            for j in range(counts[1]):
                z.SetValue(i + 1, j + 1, float(heights(low[0] + i * step[0], low[1] + j * step[1])))
        made = GeomAPI_PointsToBSplineSurface()
        made.Interpolate(z, low[0], step[0], low[1], step[1])
        return made.Surface()

    def _evaluated(self, x: Any, y: Any) -> Any:
        from OCP.gp import gp_Pnt, gp_Vec

        flat = np.full((np.size(x), 3), np.nan)
        p, du, dv = gp_Pnt(), gp_Vec(), gp_Vec()
        for n, (a, b) in enumerate(zip(np.ravel(x), np.ravel(y), strict=True)):
            if abs(a) < HALF_MM[0] + 3.0 and abs(b) < HALF_MM[1] + 3.0:
                u, v = (f + k * (c - w) for f, k, c, w in zip(self._from, self._per, (a, b), self._low, strict=True))
                self.surface.D1(float(u), float(v), p, du, dv)
                if max(abs(p.X() - a), abs(p.Y() - b)) > 1e-9:
                    raise RuntimeError("the kernel's spline is no height field over x and y")
                flat[n] = p.Z(), du.Z() * self._per[0], dv.Z() * self._per[1]
        return flat.reshape(*np.shape(x), 3)

    def _height(self, x: Any, y: Any) -> Any:
        return self._evaluated(x, y)[..., 0]

    def _slope(self, x: Any, y: Any) -> tuple[Any, Any]:
        found = self._evaluated(x, y)
        return found[..., 1], found[..., 2]


class _UnevenSpline(_Spline):
    """A cubic one on knots that lie unevenly; its poles stand at the means of their knots, so that x and y are even."""

    def _drawn(self, heights: Field, counts: tuple[int, int]) -> Any:
        from OCP.collections import Array1_double, Array1_int, Array2_gp_Pnt
        from OCP.Geom import Geom_BSplineSurface
        from OCP.gp import gp_Pnt

        sides, means = [], []
        for half, count in zip(HALF_MM, counts, strict=True):
            share = np.linspace(-1.0, 1.0, count - 2)
            knots = (half + 3.0) * (share + 0.12 * np.sin(2.0 * np.pi * share))
            all_of_them = np.concatenate([knots[:1].repeat(3), knots, knots[-1:].repeat(3)])
            means.append([all_of_them[i + 1 : i + 4].mean() for i in range(count)])
            values, times = Array1_double(1, len(knots)), Array1_int(1, len(knots))
            for i, knot in enumerate(knots):
                values.SetValue(i + 1, float(knot))
                times.SetValue(i + 1, 4 if i in (0, len(knots) - 1) else 1)
            sides.append((values, times))
        poles = Array2_gp_Pnt(1, counts[0], 1, counts[1])
        for i, x in enumerate(means[0]):
            for j, y in enumerate(means[1]):
                poles.SetValue(i + 1, j + 1, gp_Pnt(float(x), float(y), float(heights(x, y))))
        (u, u_times), (v, v_times) = sides
        return Geom_BSplineSurface(poles, u, v, u_times, v_times, 3, 3, False, False)


def _box(x0: float, y0: float, z0: float, x1: float, y1: float, z1: float) -> Any:
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox
    from OCP.gp import gp_Pnt

    return BRepPrimAPI_MakeBox(gp_Pnt(x0, y0, z0), gp_Pnt(x1, y1, z1)).Shape()


def _rod(x: float, y: float, radius: float) -> Any:
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeCylinder
    from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt

    return BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(x, y, -50.0), gp_Dir(0.0, 0.0, 1.0)), radius, 100.0).Shape()


def _without(shape: Any, tools: list[Any]) -> Any:
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut

    for tool in tools:
        shape = BRepAlgoAPI_Cut(shape, tool).Shape()
    return shape


def _common(one: Any, other: Any) -> Any:
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Common

    return BRepAlgoAPI_Common(one, other).Shape()


def _together(shapes: list[Any]) -> Any:
    from OCP.BRep import BRep_Builder
    from OCP.TopoDS import TopoDS_Compound

    builder, all_of_them = BRep_Builder(), TopoDS_Compound()
    builder.MakeCompound(all_of_them)
    for shape in shapes:
        builder.Add(all_of_them, shape)
    return all_of_them


def _block(face_surface: Any) -> Any:
    """The part above a spline face, cut to the mirror's outline."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
    from OCP.BRepPrimAPI import BRepPrimAPI_MakePrism
    from OCP.gp import gp_Vec

    face = BRepBuilderAPI_MakeFace(face_surface, 1e-6).Face()
    thick = BRepPrimAPI_MakePrism(face, gp_Vec(0.0, 0.0, 60.0)).Shape()
    return _common(thick, _box(-HALF_MM[0], -HALF_MM[1], -40.0, HALF_MM[0], HALF_MM[1], _BACK_MM))


def _ball_block(radius_mm: float) -> Any:
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeSphere
    from OCP.gp import gp_Pnt

    whole = BRepPrimAPI_MakeSphere(gp_Pnt(0.0, 0.0, radius_mm), radius_mm).Shape()
    return _common(_box(-HALF_MM[0], -HALF_MM[1], -5.0, HALF_MM[0], HALF_MM[1], 40.0), whole)


def _bent_sheet(radius_mm: float, thickness_mm: float) -> Any:
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeCylinder
    from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt

    along = gp_Ax2(gp_Pnt(0.0, -HALF_MM[1], -radius_mm), gp_Dir(0.0, 1.0, 0.0))
    outer, inner = (
        BRepPrimAPI_MakeCylinder(along, r, 2.0 * HALF_MM[1]).Shape() for r in (radius_mm + thickness_mm, radius_mm)
    )
    return _common(_without(outer, [inner]), _box(-HALF_MM[0], -100.0, -40.0, HALF_MM[0], 100.0, 40.0))


def _rimmed(shape: Any, *, rounded: bool) -> Any:
    """With a chamfer or rounding along the front's four sides."""
    from OCP.Bnd import Bnd_Box
    from OCP.BRepBndLib import BRepBndLib
    from OCP.BRepFilletAPI import BRepFilletAPI_MakeChamfer, BRepFilletAPI_MakeFillet
    from OCP.TopAbs import TopAbs_EDGE
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopoDS import TopoDS

    made = (BRepFilletAPI_MakeFillet if rounded else BRepFilletAPI_MakeChamfer)(shape)
    explorer, seen = TopExp_Explorer(shape, TopAbs_EDGE), []
    while explorer.More():
        edge = explorer.Current()
        box = Bnd_Box()
        BRepBndLib.Add_s(edge, box)
        low, high = box.CornerMin(), box.CornerMax()
        upright = high.Z() - low.Z() > 0.5 * min(_BACK_MM, 20.0)
        if high.Z() < 15.0 and not upright and not any(edge.IsSame(other) for other in seen):
            seen.append(edge)
            made.Add(_RIM_MM, TopoDS.Edge(edge))
        explorer.Next()
    return made.Shape()


def _turned(shape: Any, turn_rad: tuple[float, float, float]) -> Any:
    from OCP.BRepBuilderAPI import BRepBuilderAPI_Transform
    from OCP.gp import gp_Ax1, gp_Dir, gp_Pnt, gp_Trsf

    turn = gp_Trsf()
    turn.SetRotation(gp_Ax1(gp_Pnt(0.0, 0.0, 0.0), gp_Dir(*turn_rad)), float(np.linalg.norm(turn_rad)))
    return BRepBuilderAPI_Transform(shape, turn, True).Shape()


def _strokes(surface: Surface) -> list[Any]:
    boxes = []
    for x, y, dx, dy in _STROKES:
        deepest = float(surface.height(np.array(x + dx / 2), np.array(y + dy / 2))) + 0.6
        boxes.append(_box(x, y, -40.0, x + dx, y + dy, deepest))
    return boxes


def _step(shape: Any) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        from OCP.STEPControl import STEPControl_AsIs, STEPControl_Writer

        writer = STEPControl_Writer()
        writer.Transfer(shape, STEPControl_AsIs)
        writer.Write(str(path))

    return write


def _stl(shape: Any, chord_mm: float, turn_rad: float = 0.3) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        import trimesh
        from OCP.BRepMesh import BRepMesh_IncrementalMesh
        from OCP.BRepTools import BRepTools
        from OCP.StlAPI import StlAPI_Writer

        BRepTools.Clean_s(shape)
        BRepMesh_IncrementalMesh(shape, chord_mm, False, turn_rad, False)
        writer = StlAPI_Writer()
        writer.ASCIIMode = False
        as_stl = path.with_suffix(".stl")
        writer.Write(shape, str(as_stl))
        if path.suffix != ".stl":
            loaded = trimesh.load(as_stl, process=True, force="mesh")
            loaded.export(path)

    return write


def opencascade() -> Iterator[Part]:
    """Solids with exact faces, as STEP and as the kernel's own triangles."""
    ball, sheet = _ball_block(250.0), _bent_sheet(400.0, 1.0)
    whole = (HALF_MM[0] - 0.5, HALF_MM[1] - 0.5)

    def part(name: str, file: str, write: Callable[[Path], None], surface: Surface, **more: Any) -> Part:
        return Part(name=name, kernel="OpenCASCADE", file=file, write=write, surface=surface, **more)

    yield part("sphere, 0.1 mm", "m.stl", _stl(ball, 0.1), sphere(250.0), half_mm=whole)
    yield part("sphere, 0.01 mm", "m.stl", _stl(ball, 0.01), sphere(250.0), half_mm=whole)
    yield part("sphere", "m.step", _step(ball), sphere(250.0), half_mm=whole)
    yield part("sphere, rounded rim", "m.stl", _stl(_rimmed(ball, rounded=True), 0.01), sphere(250.0))
    yield part("sphere, chamfered rim", "m.obj", _stl(_rimmed(ball, rounded=False), 0.01), sphere(250.0))
    yield part("bent sheet, 0.1 mm", "m.stl", _stl(sheet, 0.1), cylinder(400.0), half_mm=whole)
    yield part("bent sheet, 0.01 mm", "m.ply", _stl(sheet, 0.01), cylinder(400.0), half_mm=whole)
    yield part("bent sheet", "m.step", _step(sheet), cylinder(400.0), half_mm=whole)
    gentle = _Spline(wavy(0.5).height, counts=(9, 7))
    strong = _Spline(wavy(1.5).height, counts=(13, 10))
    for name, spline, chord in (("spline", gentle, 0.01), ("strong spline", strong, 0.005)):
        block = _block(spline.surface)
        yield part(name, "m.step", _step(block), spline.exact, half_mm=whole)
        yield part(f"{name}, {chord} mm", "m.stl", _stl(block, chord), spline.exact, half_mm=whole)
        rounded, chamfered = _rimmed(block, rounded=True), _rimmed(block, rounded=False)
        yield part(f"{name}, rounded rim", "m.step", _step(rounded), spline.exact)
        yield part(f"{name}, rounded rim, {chord} mm", "m.stl", _stl(rounded, chord), spline.exact)
        holed = _without(chamfered, [_rod(*_HOLE_MM)])
        yield part(f"{name}, chamfer and hole", "m.step", _step(holed), spline.exact, cut=("hole",))
        yield part(f"{name}, chamfer and hole, {chord} mm", "m.obj", _stl(holed, chord), spline.exact, cut=("hole",))
        engraved = _without(block, _strokes(spline.exact))
        yield part(
            f"{name}, engraved text, {chord} mm",
            "m.stl",
            _stl(engraved, chord),
            spline.exact,
            cut=("text",),
            half_mm=whole,
        )
    turn = (0.4, -0.2, 0.6)
    uneven = _UnevenSpline(wavy(1.5).height, counts=(13, 10))
    for name, shape, exact, turned in (
        ("strong spline, turned", _turned(block, turn), strong.exact, turn),
        ("strong spline on uneven knots", _block(uneven.surface), uneven.exact, (0.0, 0.0, 0.0)),
    ):
        yield part(name, "m.step", _step(shape), exact, half_mm=whole, turned_rad=turned)
        yield part(f"{name}, 0.005 mm", "m.stl", _stl(shape, 0.005), exact, half_mm=whole, turned_rad=turned)
    bodies = _together([block, _box(-80.0, -60.0, 31.0, 80.0, 60.0, 41.0), _box(30.0, -5.0, -40.0, 32.0, 5.0, -30.0)])
    yield part("strong spline, base and bracket", "m.step", _step(bodies), strong.exact, half_mm=whole, shaded=True)


# manifold


def _warped(surface: Surface, *, cells: int) -> Any:
    """A refined block whose front follows a surface; its vertices lie on it, to float32."""
    import manifold3d

    block = manifold3d.Manifold.cube([2 * HALF_MM[0], 2 * HALF_MM[1], _BACK_MM]).translate(
        [-HALF_MM[0], -HALF_MM[1], 0.0]
    )

    def onto(points: Any) -> Any:
        x, y, z = np.asarray(points).T
        return np.column_stack([x, y, z + (1.0 - z / _BACK_MM) * surface.height(x, y)])

    return block.refine(cells).warp_batch(onto)


def _slab(x0: float, y0: float, z0: float, x1: float, y1: float, z1: float) -> Any:
    import manifold3d

    return manifold3d.Manifold.cube([x1 - x0, y1 - y0, z1 - z0]).translate([x0, y0, z0])


def _mesh_file(body: Any) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        import trimesh

        mesh = body.to_mesh()
        scale = 0.001 if path.suffix == ".glb" else 1.0
        trimesh.Trimesh(
            vertices=scale * np.asarray(mesh.vert_properties)[:, :3], faces=np.asarray(mesh.tri_verts), process=False
        ).export(path)

    return write


def _letters(surface: Surface, *, deep_mm: float) -> Any:
    import manifold3d

    bars = []
    for x, y, dx, dy in _STROKES:
        at = float(surface.height(np.array(x + dx / 2), np.array(y + dy / 2)))
        bars.append(_slab(x, y, at - 3.0 if deep_mm > 0 else at + deep_mm, x + dx, y + dy, at + max(deep_mm, 3.0)))
    return manifold3d.Manifold.batch_boolean(bars, manifold3d.OpType.Add)


def manifold() -> Iterator[Part]:
    """Mesh bodies: warped, cut and joined as triangles."""
    import manifold3d

    whole = (HALF_MM[0] - 0.5, HALF_MM[1] - 0.5)
    bowl, wave = paraboloid(700.0), wavy(0.5)

    def part(name: str, file: str, body: Any, surface: Surface, **more: Any) -> Part:
        return Part(name=name, kernel="manifold", file=file, write=_mesh_file(body), surface=surface, **more)

    plain, fine, waved = _warped(bowl, cells=40), _warped(bowl, cells=90), _warped(wave, cells=60)
    rod = manifold3d.Manifold.cylinder(200.0, _HOLE_MM[2], circular_segments=48).translate([*_HOLE_MM[:2], -100.0])
    sides = [((1, 0, -1), 59.0), ((-1, 0, -1), 59.0), ((0, 1, -1), 44.0), ((0, -1, -1), 44.0)]
    yield part("paraboloid", "m.stl", plain, bowl, half_mm=whole)
    yield part("paraboloid", "m.glb", plain, bowl, half_mm=whole)
    yield part("wave", "m.ply", waved, wave, half_mm=whole)
    yield part("paraboloid, hole", "m.stl", fine - rod, bowl, half_mm=whole, cut=("hole",))
    yield part("wave, hole", "m.obj", waved - rod, wave, half_mm=whole, cut=("hole",))
    yield part(
        "paraboloid, engraved text", "m.stl", fine - _letters(bowl, deep_mm=0.6), bowl, half_mm=whole, cut=("text",)
    )
    yield part("wave, raised text", "m.stl", waved + _letters(wave, deep_mm=-0.6), wave, half_mm=whole, cut=("text",))
    chamfered = fine
    for (x, y, z), offset in sides:  # keeps what lies on the plane's inner side: 1 mm off each rim, 45 degrees
        rim = offset + 1.0
        sag = float(bowl.height(np.array(rim * abs(x)), np.array(rim * abs(y))))
        chamfered = chamfered.trim_by_plane([-x, -y, -z], (-rim - sag + 1.0) / np.sqrt(2.0))
    yield part("paraboloid, chamfered sides", "m.stl", chamfered, bowl, half_mm=(53.0, 38.0))
    yield part(
        "paraboloid, base and bracket",
        "m.stl",
        plain + _slab(-80, -60, 31, 80, 60, 41) + _slab(30, -5, -40, 32, 5, -30),
        bowl,
        half_mm=whole,
        shaded=True,
    )
    round_250 = sphere(250.0)
    deep = float(round_250.height(0.5 * _FACET_MM, 0.0))
    yield part(
        "sphere, facet of 4 mm",
        "m.stl",
        _warped(round_250, cells=70) - _slab(-8, -8, -20, 8, 8, deep),
        round_250,
        half_mm=whole,
        cut=("facet",),
    )
    big = manifold3d.Manifold.sphere(250.0, circular_segments=720).translate([0.0, 0.0, 250.0])
    yield part("sphere cut to a block", "m.stl", big ^ _slab(-60, -45, -5, 60, 45, 40), sphere(250.0), half_mm=whole)
    small = manifold3d.Manifold.sphere(150.0, circular_segments=360).translate([0.0, 0.0, 150.0])
    yield part("whole ball", "m.stl", small, sphere(150.0), half_mm=(80.0, 80.0))
    angle = np.arcsin(HALF_MM[0] / 400.0) * np.linspace(-1.0, 1.0, 25)
    arc = np.column_stack([400.0 * np.sin(angle), 400.0 * np.cos(angle) - 400.0])
    centre = np.array([0.0, 400.0])
    outline = np.concatenate([arc, 401.0 / 400.0 * (arc[::-1] + centre) - centre])
    sheet = manifold3d.CrossSection([outline]).extrude(2 * HALF_MM[1]).rotate([90.0, 0.0, 0.0])
    yield part(
        "bent sheet in 24 strips", "m.stl", sheet.translate([0.0, HALF_MM[1], 0.0]), cylinder(400.0), half_mm=whole
    )
    radii = np.linspace(0.0, 75.0, 60)
    turned = np.concatenate([np.column_stack([radii, bowl.height(radii, 0.0)]), [[75.0, 30.0], [0.0, 30.0]]])
    round_one = manifold3d.CrossSection([turned]).revolve(circular_segments=180)
    yield part("paraboloid turned on a lathe", "m.stl", round_one, bowl, half_mm=(50.0, 45.0))


def parts() -> Iterator[Part]:
    """All of them."""
    yield from opencascade()
    yield from manifold()


os.environ.setdefault("CSF_LANGUAGE", "us")
