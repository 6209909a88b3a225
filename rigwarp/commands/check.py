"""`rigwarp check`: is the rig file right, what is there already, and does what stands on the bench work."""

from dataclasses import asdict
from typing import Annotated, Any

import typer

from rigwarp.capture.preflight.findings import require_no_stop
from rigwarp.commands.console import Console, print_next
from rigwarp.commands.lines import together
from rigwarp.commands.options import DisplayOption, JsonOption, RigArgument
from rigwarp.commands.terminal import AtTerminal, agree_to_command, require_yes
from rigwarp.files import RigFolder, leftovers, open_rig, remove_leftovers, rig_locked
from rigwarp.jobs.bench.check import (
    TriedOut,
    draw_sketch,
    machine_remarks,
    rig_remarks,
    trust_camera,
    try_out,
    what_is_there,
)
from rigwarp.jobs.bench.frame_cost import FrameCost, frame_cost
from rigwarp.jobs.bench.machine import Machine, look_around
from rigwarp.jobs.bench.preview import watch_camera
from rigwarp.rig import ConicShape, FacetsShape, MeshShape, MirrorShape

_MARKS = {"fine": "ok", "remark": "note", "stop": "STOP"}


def check(
    rig: RigArgument,
    files_only: Annotated[bool, typer.Option("--files-only", help="Leave projector and camera alone.")] = False,
    preview: Annotated[
        bool, typer.Option("--preview", help="First show the camera's live picture, to set it up.")
    ] = False,
    tidy: Annotated[bool, typer.Option("--tidy", help="Remove unfinished runs and part files, after asking.")] = False,
    trust: Annotated[
        bool,
        typer.Option("--trust", help="Agree to the command in camera.device: it is run on this machine from then on."),
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Answer yes to --tidy.")] = False,
    display: DisplayOption = None,
    json: JsonOption = False,
) -> None:
    """Validate a rig file, list what is there, and try out projector and camera.

    Missing results are no mistake, they are listed with the command that makes them. Where projector and camera are
    there, a few pictures are shown and photographed: is the picture shown pixel for pixel, the exposure right (it is
    set, where the camera lets it be), the light steady, the picture sharp, the whole content area seen and lit, and
    is the camera where camera.json has it. Each finding is one line with what to do. Before that a few frames are drawn
    without being shown, to say how this computer draws (by the GPU or the CPU) and what a frame takes.

    With --preview a window first shows what the camera sees, to aim and focus it: burnt-out places hatched, the board,
    the content area's outline where camera.json tells it, and the level. Escape or Enter goes on.

    With --tidy nothing is looked at: what interrupted commands have left in the folder is listed and, once you have
    typed yes, removed. A scan that was interrupted cannot be gone on with any more afterwards.

    A camera whose camera.device is a command ("run: ...") is used only after you have agreed to exactly this command
    on this machine, for a rig folder may come from somebody else: --trust shows it, and does nothing else; type yes.

    Exit code 3 when rig.toml or a file beside it is wrong, 5 when a scan would be worth nothing as things are.
    """
    console = Console(json=json)
    folder = open_rig(rig)
    if tidy:
        _tidy(console, folder, yes=yes)
        return
    if trust:
        _trust(console, folder)
        return
    sketch = draw_sketch(folder)
    progress = what_is_there(folder)
    machine = look_around()
    cost = frame_cost(folder.rig.projector.resolution, folder.rig.content.pixels)
    remarks = rig_remarks(folder) + machine_remarks(folder.rig, machine)
    _print_rig(console, folder)
    console.say(f"  drawn in {sketch}")
    console.say("\nIn the folder")
    console.table([(name, state or f"missing; make it with: {together(how)}") for name, state, how in progress])
    _print_machine(console, machine, cost)
    console.say()
    console.caution()
    if preview:
        watch_camera(console, folder, display=display, person=AtTerminal(console))
    tried = TriedOut(reason="left alone") if files_only else try_out(console, folder, display)
    looked = tried.looked
    _print_bench(console, tried)
    if remarks:
        console.say("\nRemarks")
        for remark in remarks:
            console.say(f"  - {remark}")
    console.result(
        {
            "rig": {"name": folder.rig.name, "folder": folder.root, "hash": folder.rig_hash},
            "files": {name: state for name, state, _ in progress},
            "machine": asdict(machine),
            "drawing": asdict(cost),
            "bench": {
                "looked_at": looked is not None,
                "reason": tried.reason,
                "camera": asdict(tried.camera) if tried.camera else None,
                "findings": [asdict(finding) for finding in looked.findings] if looked else [],
                "exposure_s": looked.exposure_s if looked else None,
            },
            "remarks": remarks,
            "sketch": sketch,
        }
    )
    print_next(console, folder)
    if looked is not None:
        require_no_stop(looked.findings)


def _tidy(console: Console, folder: RigFolder, *, yes: bool) -> None:
    with rig_locked(folder.root, "check --tidy"):
        found = leftovers(folder.root)
        console.table([(one.path, one.kind, f"{one.size_bytes / 2**20:.1f} MiB") for one in found])
        if found:
            require_yes(console, yes=yes, what="--tidy", without="nothing was removed")
            remove_leftovers(found)
    console.say(f"{len(found)} removed." if found else "Nothing is left over.")
    console.result({"removed": [one.path for one in found]})


def _trust(console: Console, folder: RigFolder) -> None:
    kept = trust_camera(folder, lambda text: agree_to_command(console, text))
    console.say(f"Agreed; remembered in {kept}. Take it out of there to withdraw.")
    console.result({"trusted": folder.rig.camera.device, "kept_in": kept})


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


def _print_machine(console: Console, machine: Machine, cost: FrameCost) -> None:
    displays = ", ".join(machine.monitors) or "none"
    cameras = ", ".join(f"{path} {name}" for path, name in machine.cameras.items()) or "none listed"
    console.say("\nThis computer")
    console.table(
        [
            ("displays", f"{displays} ({machine.display_driver})"),
            ("cameras", cameras),
            ("OpenGL", f"{machine.gl_renderer} ({machine.gl_version})" if machine.gl_renderer else "none"),
            ("drawing", cost.line),
        ]
    )


def _print_bench(console: Console, tried: TriedOut) -> None:
    console.say("\nProjector and camera")
    if tried.looked is None:
        console.table([("not tried out", tried.reason)])
    else:
        if tried.camera is not None:
            console.say(f"  camera {tried.camera.line()}")
        console.table([(_MARKS[found.severity], found.what, found.text) for found in tried.looked.findings])


def _shape(shape: MirrorShape, folder: RigFolder) -> str:
    if isinstance(shape, ConicShape):
        inner, outer = shape.aperture_mm
        return f"conic, R {shape.radius_mm:g} mm, k {shape.conic_constant:g}, radii {inner:g} to {outer:g} mm"
    if isinstance(shape, FacetsShape):
        sheet = "" if shape.sheet is None else f" of {shape.sheet.thickness_mm:g} mm sheet"
        return f"{len(shape.facets)} panels{sheet}"
    if isinstance(shape, MeshShape):
        return f"mesh {shape.file}, {len(folder.meshes[shape.file].faces)} triangles"
    return f"profile {shape.file}, {len(folder.profiles[shape.file])} points"


def _point(part: Any) -> str:
    return "(" + ", ".join(f"{v:g}" for v in part.placement.position_mm) + ")"


def _area(shape: str, size_mm: tuple[float, float]) -> str:
    if shape == "circle":
        return f"circle of {size_mm[0]:g} mm"
    return f"{size_mm[0]:g} x {size_mm[1]:g} mm"
