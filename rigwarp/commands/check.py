"""`rigwarp check`: is the rig file right, what is there already, and does what stands on the bench work."""

from contextlib import ExitStack
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from rigwarp.capture.preflight.findings import require_no_stop
from rigwarp.capture.preflight.look import Preflight
from rigwarp.commands.console import Console
from rigwarp.commands.live_bench import live_bench
from rigwarp.commands.machine import Machine, look_around
from rigwarp.commands.options import DisplayOption, JsonOption, RigArgument
from rigwarp.commands.preflight import camera_and_sheet, preflight, print_findings
from rigwarp.commands.preview import watch_camera
from rigwarp.errors import DeviceError
from rigwarp.files import RigFolder, complete_runs, current_result, open_rig, read_camera, read_map
from rigwarp.files.names import CAMERA_FILE, CURRENT_FILE, DESIGN_FILE, RESULTS, SCANS
from rigwarp.rig import ConicShape, FacetsShape, MeshShape, MirrorShape, Rig

_VIRTUAL = "virtual"  # as camera.device: a virtual rig, which needs no display
_PLAUSIBLE_PART_MM = (5.0, 5000.0)  # largest extent of a mirror or obstacle; outside, the file is in other units
_SQUARE_PIXELS = 0.01  # relative difference of content pixel sides that one would see


def check(
    rig: RigArgument,
    files_only: Annotated[
        bool, typer.Option("--files-only", help="Leave projector and camera alone.", show_default=False)
    ] = False,
    preview: Annotated[
        bool, typer.Option("--preview", help="First show the camera's live picture, to set it up.", show_default=False)
    ] = False,
    display: DisplayOption = None,
    json: JsonOption = False,
) -> None:
    """Validate a rig file, list what is there, and try out projector and camera.

    Missing results are no mistake, they are listed with the command that makes them. Where projector and camera are
    there, a few pictures are shown and photographed: is the picture shown pixel for pixel, the exposure right (it is
    set, where the camera lets it be), the light steady, the picture sharp, the whole content area seen and lit, and
    is the camera where camera.json has it. Each finding is one line with what to do.

    With --preview a window first shows what the camera sees, to aim and focus it: burnt-out places hatched, the board,
    the content area's outline where camera.json tells it, and the level. Escape or Enter goes on.

    Exit code 3 when rig.toml or a file beside it is wrong, 5 when a scan would be worth nothing as things are.
    """
    console = Console(json=json)
    folder = open_rig(rig)
    progress = _progress(folder)
    machine = look_around()
    remarks = _rig_remarks(folder) + _machine_remarks(folder.rig, machine)
    _print_rig(console, folder)
    _print_progress(console, progress)
    _print_machine(console, machine)
    console.caution()
    if preview:
        camera, sheet_height_mm = camera_and_sheet(folder)
        watch_camera(console, folder, model=camera, sheet_height_mm=sheet_height_mm, display=display)
    looked, reason = (None, "left alone") if files_only else _try_out(console, folder, display)
    _print_bench(console, looked, reason)
    if remarks:
        console.say("\nRemarks")
        for remark in remarks:
            console.say(f"  - {remark}")
    console.result(
        {
            "rig": {"name": folder.rig.name, "folder": folder.root, "hash": folder.rig_hash},
            "files": {name: state for name, state, _ in progress},
            "machine": asdict(machine),
            "bench": {
                "looked_at": looked is not None,
                "reason": reason,
                "findings": [finding.record() for finding in looked.findings] if looked else [],
                "exposure_s": looked.exposure_s if looked else None,
            },
            "remarks": remarks,
        }
    )
    if looked is not None:
        require_no_stop(looked.findings)


def _try_out(console: Console, folder: RigFolder, display: int | None) -> tuple[Preflight | None, str | None]:
    """The pre-flight, or why there is none: devices that are not there yet are no mistake, ones that fail are."""
    with ExitStack() as opened:
        try:
            bench = opened.enter_context(live_bench(console, folder, display=display))
        except DeviceError as error:
            return None, str(error)
        return preflight(console, folder, bench), None


def _progress(folder: RigFolder) -> list[tuple[str, str | None, str]]:
    """Name, state (None = missing) and the command that makes it, for everything a rig folder may hold."""
    root = folder.root
    return [
        ("camera.json", _camera_state(folder), f"rigwarp camera {root} --lens DIR --table PHOTO"),
        ("design.npz", _design_state(folder), f"rigwarp trace {root}"),
        ("scans", _runs_state(root / SCANS), f"rigwarp scan {root}"),
        ("results", _runs_state(root / RESULTS), f"rigwarp fit {root}"),
        ("current", _current_state(root), f"rigwarp fit {root}"),
    ]


def _camera_state(folder: RigFolder) -> str | None:
    path = folder.root / CAMERA_FILE
    if not path.exists():
        return None
    camera = read_camera(path)
    size = f"{camera.resolution[0]} x {camera.resolution[1]}"
    if camera.resolution != folder.rig.camera.resolution:
        wanted = folder.rig.camera.resolution
        return f"for {size} photos, but rig.toml says camera.resolution = [{wanted[0]}, {wanted[1]}]"
    return f"for {size} photos, {'with' if camera.covariance is not None else 'without'} uncertainty"


def _design_state(folder: RigFolder) -> str | None:
    path = folder.root / DESIGN_FILE
    if not path.exists():
        return None
    pixel_map, header = read_map(path)
    if header.get("rig_hash") != folder.rig_hash:
        return "out of date: rig.toml or a file it names has changed since"
    return f"up to date, {100.0 * np.mean(pixel_map.answered):.0f} % of the pixels reach the table"


def _runs_state(parent: Path) -> str | None:
    done = complete_runs(parent)
    unfinished = sum(1 for child in parent.iterdir() if child.is_dir()) - len(done) if parent.is_dir() else 0
    if not done and not unfinished:
        return None
    ignored = f", {unfinished} unfinished (not used)" if unfinished else ""
    return f"{len(done)} finished{f', latest {done[-1].name}' if done else ''}{ignored}"


def _current_state(root: Path) -> str | None:
    if not (root / CURRENT_FILE).exists():
        return None
    return current_result(root).relative_to(root).as_posix()


def _rig_remarks(folder: RigFolder) -> list[str]:
    remarks = []
    for name, mesh in folder.meshes.items():
        extent_mm = float(np.ptp(mesh.vertices_mm, axis=0).max())
        if not _PLAUSIBLE_PART_MM[0] <= extent_mm <= _PLAUSIBLE_PART_MM[1]:
            remarks.append(f"{name} is {extent_mm:g} mm across: is it in millimetres? Export it in mm.")
    content = folder.rig.content
    sides = [size / pixels for size, pixels in zip(content.size_mm, content.pixels, strict=True)]
    if max(sides) / min(sides) - 1.0 > _SQUARE_PIXELS:
        remarks.append(
            f"content pixels are {sides[0]:.3f} x {sides[1]:.3f} mm: pictures get stretched. "
            "Set content.pixels in the proportion of its size."
        )
    return remarks


def _machine_remarks(rig: Rig, machine: Machine) -> list[str]:
    remarks = []
    if machine.gl_renderer is None:
        remarks.append(f"{machine.gl_problem}. The CPU renderer is used instead.")
    elif machine.gl_in_software:
        remarks.append("OpenGL is computed in software here: the CPU renderer is used instead.")
    if rig.camera.device == _VIRTUAL:
        return remarks
    if not machine.displays:
        remarks.append("no display found: nothing can be projected from this computer.")
    elif rig.projector.resolution not in machine.displays:
        width, height = rig.projector.resolution
        remarks.append(f"no display has the projector's {width} x {height} pixels: connect it and set its native size.")
    return remarks


def _print_rig(console: Console, folder: RigFolder) -> None:
    rig = folder.rig
    projector, table, content = rig.projector, rig.table, rig.content
    width, height = projector.resolution
    console.say(f"{rig.name} ({folder.root})")
    console.table(
        [
            ("projector", f"{width} x {height}, throw ratio {projector.throw_ratio:g}, at {_point(projector)} mm"),
            ("mirror", f"{_shape(rig.mirror.shape, folder)}, at {_point(rig.mirror)} mm"),
            ("obstacles", ", ".join(obstacle.file for obstacle in rig.obstacles) or "none"),
            ("table", f"{_area(table.shape, table.size_mm)} at height {table.height_mm:g} mm"),
            ("content", f"{_area(content.shape, content.size_mm)}, {content.pixels[0]} x {content.pixels[1]} pixels"),
            ("camera", f"{rig.camera.resolution[0]} x {rig.camera.resolution[1]}, device {rig.camera.device}"),
            ("target", f"{rig.target.squares[0]} x {rig.target.squares[1]} squares of {rig.target.square_mm:g} mm"),
        ]
    )


def _print_progress(console: Console, progress: list[tuple[str, str | None, str]]) -> None:
    console.say("\nIn the folder")
    console.table([(name, state or f"missing; make it with: {how}") for name, state, how in progress])


def _print_machine(console: Console, machine: Machine) -> None:
    displays = ", ".join(machine.monitors) or "none"
    cameras = ", ".join(f"{path} {name}" for path, name in machine.cameras.items()) or "none listed"
    console.say("\nThis computer")
    console.table(
        [
            ("displays", f"{displays} ({machine.display_driver})"),
            ("cameras", cameras),
            ("OpenGL", machine.gl_renderer or "none"),
        ]
    )


def _print_bench(console: Console, looked: Preflight | None, reason: str | None) -> None:
    console.say("\nProjector and camera")
    if looked is None:
        console.table([("not tried out", reason)])
    else:
        print_findings(console, looked.findings)


def _shape(shape: MirrorShape, folder: RigFolder) -> str:
    if isinstance(shape, ConicShape):
        inner, outer = shape.aperture_mm
        return f"conic, R {shape.radius_mm:g} mm, k {shape.conic_constant:g}, radii {inner:g} to {outer:g} mm"
    if isinstance(shape, FacetsShape):
        return f"{len(shape.facets)} panels"
    if isinstance(shape, MeshShape):
        return f"mesh {shape.file}, {len(folder.meshes[shape.file].faces)} triangles"
    return f"profile {shape.file}, {len(folder.profiles[shape.file])} points"


def _point(part: Any) -> str:
    return "(" + ", ".join(f"{v:g}" for v in part.placement.position_mm) + ")"


def _area(shape: str, size_mm: tuple[float, float]) -> str:
    if shape == "circle":
        return f"circle of {size_mm[0]:g} mm"
    return f"{size_mm[0]:g} x {size_mm[1]:g} mm"
