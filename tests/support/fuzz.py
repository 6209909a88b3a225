"""Every file that rigwarp reads, spoiled in a seeded way and read as the commands read it; odd words on command lines.

    python tests/support/fuzz.py RIG SEED ROUNDS

RIG is a finished rig folder, which stays as it is: a copy is worked on. Prints one JSON object: how many inputs were
tried, which failed (an exception that is no RigwarpError, more than 60 s of work or 600 s by the clock), and the
largest memory in MiB. Work is processor time, of all threads and of processes that have ended: that says nothing of
waiting, so that an input over which rigwarp waits without working is caught from ten minutes on only.
"""

import importlib.util
import io
import json
import os
import random
import resource
import shutil
import sys
import tempfile
import time
import warnings
import zipfile
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from importlib import resources
from pathlib import Path
from unittest import mock

import attacked_rig
import cv2
import mutations
import numpy as np
import trimesh

from rigwarp.capture.scans.frames_folder import CaptureNotes, read_capture_notes, write_capture_notes
from rigwarp.cli import EXIT_UNEXPECTED, main
from rigwarp.devices import open_virtual
from rigwarp.errors import RigwarpError
from rigwarp.files import (
    RigFolder,
    current_result,
    current_view,
    list_photos,
    make_view_current,
    new_run,
    open_rig,
    read_adjustment,
    read_as_built,
    read_camera,
    read_camera_extra,
    read_decoded,
    read_map,
    read_map_light,
    read_map_sigmas,
    read_mesh,
    read_patterns,
    read_photo,
    read_prewarp,
    read_profile,
    read_text,
    write_npz,
    write_picture,
    write_stl,
)
from rigwarp.files import names as names_module
from rigwarp.files.maps import read_measured_view, read_view_map, write_view_map
from rigwarp.files.names import (
    BENCH_FILE,
    CAMERA_PICTURE,
    CYCLE_FILE,
    DRIFT_FILE,
    FACES_PICTURE,
    LOCK_FILE,
    MEASURED,
    REFUSED_FILE,
    REPORT_FILE,
    SKETCH_FILE,
    SLOPES_FILE,
    VIRTUAL_SAMPLES_FILE,
)
from rigwarp.files.page_key_file import page_keys
from rigwarp.files.quick_file import read_quick_file
from rigwarp.files.records import DriftRecord, HeartbeatRecord, MovedRecord, ScreenRecord, ViewRecord
from rigwarp.files.records.samples import CycleRecord
from rigwarp.files.rig_lock import _who, rig_locked
from rigwarp.files.sheets_file import read_sheets
from rigwarp.files.table_shape_file import read_table_shape
from rigwarp.files.top_file import read_top, write_top
from rigwarp.files.trust import add_trusted, is_trusted
from rigwarp.files.view_lens_file import read_view_lens, write_view_lens
from rigwarp.geometry import TriangleMesh
from rigwarp.geometry.pixel_map import ViewMap
from rigwarp.jobs.bench.check import rig_remarks, what_is_there
from rigwarp.jobs.design import design_map
from rigwarp.jobs.play import opened_show, write_still
from rigwarp.jobs.play_options import PlayOptions
from rigwarp.jobs.progress import SILENT
from rigwarp.jobs.results.export import export_current
from rigwarp.jobs.samples.bench_folder import open_bench_folder
from rigwarp.jobs.samples.compare import maps_of
from rigwarp.jobs.scans.zones import shown_in, zones_then
from rigwarp.live.sources.opening import open_source
from rigwarp.reports.result_parts import read_parts
from rigwarp.rig import Lens, TopView
from rigwarp.sheets.pdf import STANDARD_TARGET
from rigwarp.simulation.samples.truth import parse_bench_truth
from rigwarp.view import LEAN_KNOWN
from rigwarp.view.top import build_top

LONGEST_S, HANGS_S, MOST_MIB = 60.0, 600.0, 4096
"""Of work, since the machine may be busy; of time."""
_GUARD_BYTES = 6 << 30
"""Beyond it the system says no, so that a bomb does not take the machine along; `MOST_MIB` is what is judged."""
Use = Callable[[Path, Path], object]


def _still(root: Path, _: Path) -> None:
    folder = open_rig(root)
    with opened_show(SILENT, folder, PlayOptions(name="check:grid")) as show:
        write_still(show, root / f"still-{time.monotonic_ns()}.png")


def _export(root: Path, _: Path) -> None:
    export_current(open_rig(root), "csv", out=root / "exported", replace=True)


def _shown(root: Path, path: Path) -> None:
    source = open_source(str(path), open_rig(root).rig.content)
    try:
        for time_s in (0.0, 0.02, 5.0):
            source.at(time_s)
    finally:
        source.close()


def _checked(root: Path, _: Path) -> None:
    folder = open_rig(root)
    what_is_there(folder)
    rig_remarks(folder)


def _traced(root: Path, _: Path) -> None:
    _checked(root, root)
    design_map(open_rig(root))


def _parts(root: Path, _: Path) -> None:
    read_parts(open_rig(root), current_result(root))


def _refined(root: Path, _: Path) -> None:
    with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()) as said:
        code = attacked_rig.refine(root)
    if code == EXIT_UNEXPECTED:
        raise AssertionError(said.getvalue()[-300:])


def _ran(*words: str, **odd: str) -> Use:
    """A command as a user gives it; words may hold {root}, {path} for the spoiled file, {fresh} for a new name."""

    def use(root: Path, path: Path) -> None:
        places = {"root": root, "path": path, "fresh": root / f"made-{time.monotonic_ns()}", **odd}
        with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()) as said:
            code = main([word.format(**places) for word in words])
        if code == EXIT_UNEXPECTED:
            raise AssertionError(f"{words}: {said.getvalue()[-300:]}")

    return use


def _who_holds(_: Path, path: Path) -> None:
    with open(path, "rb") as file:
        _who(file.fileno())


def _trusted(root: Path, _: Path) -> None:
    with mock.patch.dict(os.environ, XDG_CONFIG_HOME=str(root)):
        is_trusted("a camera's command")


_NEXT = _ran("next", "{root}")
_CAMERA = _ran("camera", "{root}", "--table", "{root}/sheet.png", "--replace")
_CALIBRATE = _ran("calibrate", "{root}", "--yes")
USES: dict[str, tuple[Use, ...]] = {
    "rig.toml": (
        _traced,
        lambda root, _: open_virtual(open_rig(root)),
        _CAMERA,
    ),
    "virtual.toml": (lambda root, _: open_virtual(open_rig(root)),),
    "mirror.stl": (_traced,),
    "profile.csv": (_traced,),
    "camera.json": (lambda _, path: (read_camera(path), read_camera_extra(path)), _checked, _CAMERA),
    "sheet.png": (_CAMERA, _ran("camera", "{root}", "--lens", "{root}", "--table", "{path}", "--replace")),
    "design.npz": (lambda _, path: read_map(path), _checked),
    "current.json": (_still, _checked, _NEXT),
    "adjust.json": (lambda _, path: read_adjustment(path), _still),
    "picture.png": (_shown, lambda _, path: read_photo(path)),
    "picture.jpg": (_shown, lambda _, path: read_photo(path)),
    "picture.tif": (_shown, lambda _, path: read_photo(path)),
    "video.mp4": (_shown,),
    "start.json": (_parts, _checked, _still, _NEXT),
    "stop.json": (_parts, _checked, _NEXT),
    "map.npz": (_parts, lambda _, path: (read_map_light(path), read_map_sigmas(path)), _export),
    "prewarp.npz": (lambda _, path: read_prewarp(path), _still, _export),
    "decoded.npz": (lambda _, path: read_decoded(path),),
    "patterns.json": (lambda _, path: read_patterns(path),),
    "as_built.json": (lambda _, path: read_as_built(path.parent), _parts),
    "as_built.npz": (lambda _, path: read_as_built(path.parent), _parts),
    "fit.json": (_parts, _NEXT),
    "verification.json": (_parts, _NEXT),
    "budget.json": (_parts,),
    "quick.npz": (lambda _, path: read_quick_file(path),),
    "table_shape.json": (lambda _, path: read_table_shape(path),),
    "heartbeat.json": (_ran("play", "{root}", "--status", "--heartbeat", "{path}"),),
    **dict.fromkeys(
        [f"part.{ending}" for ending in ("stl", "obj", "ply", "glb", "3mf")],
        (lambda _, path: read_mesh(path, key="mirror.file"),),
    ),
    "shape.csv": (lambda _, path: read_profile(path, key="mirror.file"),),
    "capture.json": (lambda _, path: read_capture_notes(path.parent),),
    "moved.json": (lambda _, path: MovedRecord.read(path),),
    "zones.png": (lambda root, path: (zones_then(open_rig(root), path.parent), shown_in(open_rig(root), path.parent)),),
    "bench.toml": (lambda root, _: open_bench_folder(root),),
    "virtual_samples.toml": (lambda _, path: parse_bench_truth(read_text(path), source=str(path)),),
    "cycle.json": (lambda _, path: CycleRecord.read(path),),
    "slopes.npz": (lambda root, _: maps_of(open_bench_folder(root), SAMPLE),),
    "drift.json": (lambda _, path: DriftRecord.read(path),),
    "export.json": (_ran("export", "{root}", "--format", "csv", "--out", "{path.parent}", "--replace"),),
    LOCK_FILE: (_who_holds,),
    "part.step": (),
    "trusted_commands.json": (_trusted,),
    "page.key": (lambda root, _: page_keys(root),),
    "view_design.npz": (lambda _, path: read_view_map(path),),
    "view.npz": (lambda _, path: read_view_map(path), lambda _, path: read_measured_view(path)),
    "view.json": (lambda _, path: ViewRecord.read(path),),
    "screen.json": (lambda _, path: ScreenRecord.read(path),),
    "view_lens.json": (lambda _, path: read_view_lens(path),),
    "current_view.json": (lambda root, _: current_view(root),),
    "sheets.npz": (lambda _, path: read_sheets(path, (), STANDARD_TARGET),),
    "top.npz": (lambda _, path: read_top(path),),
}
"""How each file is read; a name may be in the rig several times."""
SELDOM: dict[str, Use] = {
    **dict.fromkeys(("map.npz", "prewarp.npz", "fit.json", "start.json", "table_shape.json", "current.json"), _refined),
    **dict.fromkeys(("virtual.toml", "camera.json"), _CALIBRATE),
    "decoded.npz": _ran("fit", "{root}"),
    "part.step": lambda _, path: read_mesh(path, key="mirror.file"),
    "rig.toml": _ran("targets", "{fresh}", "--rig", "{root}"),
}
"""What takes many seconds where the spoiled file is still good enough: tried in every tenth of many rounds."""
_NEVER_READ = {SKETCH_FILE, REFUSED_FILE, CAMERA_PICTURE, FACES_PICTURE, REPORT_FILE}
SAMPLE = "acrylic"
_ODD_NAMES = ("", " ", "..", "-", "a\nb", "ä" * 300, "x/" * 2000, "\udcff", "/dev/null/x", "nan", "made-0")
_ODD_NUMBERS = ("-1", "0", "nan", "inf", "1e999", "1e308", "1e-300", "9" * 400, "x", "", "24", "6.5")
COMMAND_LINES = (
    ("new", "{name}", "--kind", "{word}"),
    ("new", "{name}", "--like", "{word}"),
    ("targets", "{name}", "--square", "{number}"),
    ("targets", "{name}", "--rig", "{name}"),
    ("camera", "{root}", "--table", "{name}", "--thickness", "{number}", "--replace"),
    ("camera", "{root}", "--lens", "{name}", "--table", "{root}/sheet.png"),
    ("verify", "{root}", "--refine", "--sheet", "{name}"),
    ("calibrate", "{name}", "--average", "{number}"),
)


def with_content(root: Path) -> None:
    """Pictures and a video to show, shapes, and what players and sample benches write, beside the rig's own files."""
    blurred = cv2.GaussianBlur(np.random.default_rng(1).integers(0, 255, (48, 64, 3)).astype(np.uint8), (0, 0), 3)
    for ending in ("png", "jpg", "tif"):
        cv2.imwrite(str(root / f"picture.{ending}"), blurred)
    writer = cv2.VideoWriter(str(root / "video.mp4"), cv2.VideoWriter_fourcc(*"mp4v"), 25, (64, 48))
    for _ in range(12):
        writer.write(blurred)
    writer.release()
    list_photos(root)
    x, y = (np.ravel(a) for a in np.meshgrid(np.arange(8.0), np.arange(8.0)))
    corner = np.arange(56)[np.arange(56) % 8 < 7]
    faces = np.concatenate(
        [np.stack([corner, corner + 1, corner + 9], 1), np.stack([corner, corner + 9, corner + 8], 1)]
    )
    part = TriangleMesh(vertices_mm=np.stack([x, y, 0.01 * x * y], -1), faces=faces)
    write_stl(root / "part.stl", part)
    for ending in ("obj", "ply", "glb"):
        trimesh.Trimesh(part.vertices_mm, part.faces, process=False).export(root / f"part.{ending}")
    _write_3mf(root / "part.3mf", part)
    (root / "shape.csv").write_text("r_mm,z_mm\n" + "".join(f"{r},{r * r / 500}\n" for r in range(40)))
    for name in (BENCH_FILE, VIRTUAL_SAMPLES_FILE):
        shutil.copy(str(resources.files("rigwarp.scenarios").joinpath("offcut-box", name)), root / name)
    folder = open_rig(root)
    with new_run(root / "kept", "scan", folder, settings={"zone": 0, "zones": [0, 1], "group": "kept"}) as run:
        write_capture_notes(run, CaptureNotes(exposures_s=[0.01, None], average=2, facts={"latency": {"max_s": 0.1}}))
        MovedRecord(since=("20260101T000000Z",), moved=False, shift_mm=0.01).write(run / "moved.json")
        write_picture(run / "zones.png", np.zeros(folder.rig.projector.resolution[::-1], np.uint8))
    HeartbeatRecord(unix_s=1e9, memory_mib=100.0, source="check:grid").write(root / "heartbeat.json")
    cycle = root / MEASURED / SAMPLE / "20260101T000000Z"
    cycle.mkdir(parents=True)
    CycleRecord(sample=SAMPLE, blur_mrad=(0.8, 0.0)).write(cycle / CYCLE_FILE)
    slopes = {"slope_mrad": np.zeros((4, 6, 2)), "ratio": np.ones((4, 6)), "pitch_mm": np.ones(2)}
    write_npz(cycle / SLOPES_FILE, slopes, format="rigwarp samples maps")
    DriftRecord(findings=("the camera moved",), seconds=9.0, light_level=0.9).write(root / DRIFT_FILE)
    export_current(folder, "csv", out=root / "exported-before")
    page_keys(root)  # makes them
    with rig_locked(root, "being attacked"), mock.patch.dict(os.environ, XDG_CONFIG_HOME=str(root)):
        add_trusted("a camera's command")
    _write_view(folder)
    if importlib.util.find_spec("OCP") is not None:
        _write_step(root / "part.step")


def _write_view(folder: RigFolder) -> None:
    """What scans and fits of a view leave, of a camera of few pixels."""
    root, shape = folder.root, (9, 16)
    y_mm, x_mm = (np.asarray(one, float) for one in np.mgrid[: shape[0], : shape[1]])
    flat = np.zeros(shape)
    seen = ViewMap(
        x_mm=x_mm,
        y_mm=y_mm,
        sigma_mm=flat + 0.1,
        lean_x=flat,
        lean_y=flat,
        zone=np.zeros(shape, np.int16),
        measured=np.ones(shape, bool),
    )
    write_view_map(root / "view_design.npz", seen, rig_hash=folder.rig_hash)
    with new_run(root / "views", "view fit", folder) as run:
        write_view_map(run / "view.npz", seen, LEAN_KNOWN, rig_hash=folder.rig_hash)
        ViewRecord(seconds={"fit": 1.0}).write(run / "view.json")
        top = TopView(size_mm=(8.0, 6.0), centre_mm=np.array([8.0, 4.0]), mm_per_pixel=1.0)
        write_top(run / "top.npz", build_top(seen, top), rig_hash=folder.rig_hash)
    make_view_current(root, run)
    ScreenRecord(pixels=(1920.0, 1080.0), pitch_mm=0.25).write(root / "screen.json")
    lens = Lens(matrix=np.diag([9.0, 9.0, 1.0]), distortion=np.zeros(5), sigma_px=0.1, covariance=0.01 * np.eye(9))
    write_view_lens(root / "view_lens.json", lens, resolution=(16, 9))
    arrays = {
        "photo": np.zeros(4, np.int64),
        "zone": np.zeros(4, np.int64),
        "pixels_px": np.ones((4, 2)),
        "board_mm": np.ones((4, 3)),
        "square_px": np.ones(4),
        "flipped": np.zeros(4, bool),
    }
    write_npz(root / "sheets.npz", arrays, format="rigwarp view sheets", header={"photos": ["a.png"]})


def never_spoiled() -> set[str]:
    """Files of a rig that rigwarp reads, by `files/names.py`, and nobody here spoils."""
    called = {value for name, value in vars(names_module).items() if name.isupper() and Path(value).suffix}
    return (called | {LOCK_FILE}) - set(USES) - _NEVER_READ


def _write_step(path: Path) -> None:
    """A ball as the kernel writes it."""
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeSphere
    from OCP.STEPControl import STEPControl_StepModelType, STEPControl_Writer

    writer = STEPControl_Writer()  # which tells on stdout what it does
    writer.Transfer(BRepPrimAPI_MakeSphere(10.0).Shape(), STEPControl_StepModelType.STEPControl_AsIs)
    writer.Write(str(path))


def _write_3mf(path: Path, part: TriangleMesh) -> None:
    """A model of one body, as the 3MF core specification has it."""
    corners = "".join('<vertex x="{:g}" y="{:g}" z="{:g}"/>'.format(*point) for point in part.vertices_mm)
    sides = "".join('<triangle v1="{}" v2="{}" v3="{}"/>'.format(*face) for face in part.faces)
    model = (
        '<model unit="millimeter" xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02"><resources>'
        f'<object id="1" type="model"><mesh><vertices>{corners}</vertices><triangles>{sides}</triangles></mesh>'
        '</object></resources><build><item objectid="1"/></build></model>'
    )
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("3D/3dmodel.model", model)


def attack(rig: Path, seed: int, rounds: int) -> dict[str, object]:
    """Try `rounds` spoiled versions of each file."""
    failures, tried = [], {}
    with tempfile.TemporaryDirectory() as work:
        root = Path(work) / "rig"
        shutil.copytree(rig, root)
        with_content(root)
        for path in sorted(p for p in root.rglob("*") if p.name in USES):
            whole = path.read_bytes()
            dice = random.Random(f"{seed} {path.name} {tried.get(path.name, 0)}")  # whatever else there is to spoil
            for number in range(rounds):
                path.write_bytes(mutations.spoiled(whole, path.name, dice))
                seldom = [SELDOM[path.name]] if number % 10 == 5 and path.name in SELDOM else []
                failures += [
                    f"{path.name} {number}: {said}"
                    for use in (*USES[path.name], *seldom)
                    if (said := _wrong(use, root, path))
                ]
                tried[path.name] = tried.get(path.name, 0) + 1
            path.write_bytes(whole)
        failures += attack_words(root, random.Random(seed), rounds)
        tried["command lines"] = rounds * len(COMMAND_LINES)
    largest = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {"tried": tried, "failures": failures, "largest_mib": round(largest)}


def attack_words(root: Path, dice: random.Random, rounds: int) -> list[str]:
    """Try odd folders, kinds and numbers on command lines."""
    failures = []
    for line in COMMAND_LINES * rounds:
        odd = {
            "name": str(root / dice.choice(_ODD_NAMES)),
            "word": dice.choice((*_ODD_NAMES, "mesh", "profile", "folded-counter")),
            "number": dice.choice(_ODD_NUMBERS),
        }
        said = _wrong(_ran(*line, **odd), root, root / "rig.toml")
        failures += [f"{line}, {odd!r:.300}: {said}"] if said else []
    return failures


def _wrong(use: Use, root: Path, path: Path) -> str:
    """What should not have happened, in words; empty when all is well."""
    began, worked = time.monotonic(), _worked_s()
    try:
        use(root, path)
    except RigwarpError as error:
        if "\n" in str(error):
            return f"more than one line: {str(error)[:200]!r}"
    except Exception as error:
        kept = Path(tempfile.mkdtemp(prefix="rigwarp-fuzz-")) / path.name
        shutil.copy(path, kept)
        trace = error.__traceback__
        while (
            trace is not None and trace.tb_next is not None and "rigwarp" in trace.tb_next.tb_frame.f_code.co_filename
        ):
            trace = trace.tb_next
        where = f"{Path(trace.tb_frame.f_code.co_filename).name}:{trace.tb_lineno}" if trace else ""
        return f"{type(error).__name__}: {str(error)[:150]} ({where}; {kept})"
    took, worked = time.monotonic() - began, _worked_s() - worked
    return f"took {took:.0f} s, {worked:.0f} s of work" if worked > LONGEST_S or took > HANGS_S else ""


def _worked_s() -> float:
    """Processor time so far, of other processes that were started as well."""
    both = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(used.ru_utime + used.ru_stime for used in both)


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    resource.setrlimit(resource.RLIMIT_DATA, (_GUARD_BYTES, _GUARD_BYTES))
    print(json.dumps(attack(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))))  # noqa: T201 - its result
