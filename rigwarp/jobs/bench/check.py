"""What a rig folder and this computer hold, what is missing or odd, and what projector and camera show."""

import tomllib
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from PIL import Image

import rigwarp
from rigwarp.capture.preflight.look import Preflight
from rigwarp.devices import VIRTUAL
from rigwarp.devices.photo_command import is_command, parse_command
from rigwarp.errors import DeviceError, InputError
from rigwarp.files import RigFolder, complete_runs, current_result, read_camera, read_map, write_bytes
from rigwarp.files.names import CAMERA_FILE, CURRENT_FILE, DESIGN_FILE, RESULTS, SCANS, SKETCH_FILE
from rigwarp.files.records import MapOrigin
from rigwarp.files.trust import add_trusted
from rigwarp.jobs.bench.camera_state import CameraState, camera_state
from rigwarp.jobs.bench.live_bench import live_bench, preflight
from rigwarp.jobs.bench.machine import Machine
from rigwarp.jobs.progress import Progress
from rigwarp.reports.measures.pixel_scale import pixel_light
from rigwarp.rig import Rig, inside_content
from rigwarp.tracing.doubts import doubts

_PLAUSIBLE_PART_MM = (5.0, 5000.0)  # largest extent of a mirror or obstacle; outside, the file is in other units
_SQUARE_PIXELS = 0.01  # relative difference of content pixel sides that one would see


@dataclass(frozen=True, kw_only=True)
class TriedOut:
    """What projector and camera showed; `looked` and `camera` None where they are not there: `reason` says why."""

    looked: Preflight | None = None
    camera: CameraState | None = None
    reason: str | None = None


def trust_camera(folder: RigFolder, agreed: Callable[[str], bool]) -> Path | None:
    """Remember that the command in camera.device may be run here, if `agreed` says so of its exact text.

    Returns
    -------
    The file that remembers it; None where it was not agreed to.

    Raises
    ------
    InputError
        If camera.device is no command, or one that cannot be run.
    """
    device = folder.rig.camera.device
    if not is_command(device):
        raise InputError(f"rig.toml: camera.device = {device!r} is no command: there is nothing to agree to.")
    text = parse_command(str(device)).text
    return add_trusted(text) if agreed(text) else None


def try_out(progress: Progress, folder: RigFolder, display: int | None) -> TriedOut:
    """The pre-flight, or why there is none: devices that are not there yet are no mistake, ones that fail are."""
    with ExitStack() as opened:
        try:
            bench = opened.enter_context(live_bench(progress, folder, display=display))
        except DeviceError as error:
            return TriedOut(reason=str(error))
        looked = preflight(progress, folder, bench)
        return TriedOut(looked=looked, camera=camera_state(bench, folder.rig.camera.device))


def what_is_there(folder: RigFolder) -> list[tuple[str, str | None, str]]:
    """Name, state (None = missing) and the command that makes it, for everything a rig folder may hold."""
    root = folder.root
    current = current_result(root).relative_to(root).as_posix() if (root / CURRENT_FILE).exists() else None
    return [
        ("camera.json", _camera_state(folder), f"rigwarp camera {root} --lens DIR --table PHOTO"),
        ("design.npz", _design_state(folder), f"rigwarp trace {root}"),
        ("scans", _runs_state(root / SCANS), f"rigwarp scan {root}"),
        ("results", _runs_state(root / RESULTS), f"rigwarp fit {root}"),
        ("current", current, f"rigwarp fit {root}"),
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
    if MapOrigin.from_dict(header).rig_hash != folder.rig_hash:
        return "out of date: rig.toml or a file it names has changed since"
    on_content = inside_content(folder.rig.content, pixel_map.table_mm)
    height, width = on_content.shape
    light = pixel_light(replace(folder.rig.projector, resolution=(width, height)))[on_content].sum()
    return f"up to date, {100.0 * light:.0f} % of the light on the content"


def _runs_state(parent: Path) -> str | None:
    done = complete_runs(parent)
    unfinished = sum(1 for child in parent.iterdir() if child.is_dir()) - len(done) if parent.is_dir() else 0
    if not done and not unfinished:
        return None
    ignored = f", {unfinished} unfinished (not used)" if unfinished else ""
    return f"{len(done)} finished{f', latest {done[-1].name}' if done else ''}{ignored}"


def draw_sketch(folder: RigFolder) -> Path:
    """Draw what rig.toml says into the rig folder, unless the drawing there is of the same."""
    path, source = folder.root / SKETCH_FILE, f"{rigwarp.__version__} {folder.rig_hash}"
    if _drawn_from(path) != source:
        from rigwarp.reports.figures.sketch import rig_sketch  # matplotlib takes half a second, and is wanted here only

        picture = rig_sketch(folder.rig, meshes=folder.meshes, profiles=folder.profiles, source=source)
        write_bytes(path, picture, replace=True)
    return path


def _drawn_from(path: Path) -> str | None:
    try:
        with Image.open(path) as picture:
            return str(picture.info["Source"])
    except (OSError, SyntaxError, ValueError, KeyError):
        return None  # none there, damaged, or from elsewhere


def rig_doubts(folder: RigFolder) -> tuple[str, ...]:
    """What in rig.toml can hardly be meant; see `rigwarp.tracing.doubts`."""
    return doubts(tomllib.loads(folder.rig_text), folder.rig, meshes=folder.meshes, profiles=folder.profiles)


def rig_remarks(folder: RigFolder) -> list[str]:
    remarks = list(rig_doubts(folder))
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
    if folder.rig.target.scale == (1.0, 1.0):
        remarks.append(
            "target.scale = [1.0, 1.0]: the printed sheet has not been measured yet; printers are off by up to 0.5 %, "
            "and so is every length then. Measure the long lines on the sheet with a steel rule."
        )
    return remarks


def machine_remarks(rig: Rig, machine: Machine) -> list[str]:
    remarks = []
    if machine.gl_renderer is None:
        remarks.append(f"{machine.gl_problem}. The CPU renderer is used instead.")
    elif machine.gl_in_software:
        remarks.append("OpenGL is computed in software here: the CPU renderer is used instead.")
    if rig.camera.device == VIRTUAL:
        return remarks
    if not machine.displays:
        remarks.append("no display found: nothing can be projected from this computer.")
    elif rig.projector.resolution not in machine.displays:
        width, height = rig.projector.resolution
        remarks.append(f"no display has the projector's {width} x {height} pixels: connect it and set its native size.")
    return remarks
