"""`rigwarp fit`: a scan becomes the table map, the as-built mirror and the prewarp; the result becomes current."""

import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from rigwarp.as_built import AsBuilt
from rigwarp.camera import CameraModel
from rigwarp.commands.budget import print_budget, write_budget
from rigwarp.commands.chosen_scans import table_scans
from rigwarp.commands.console import Console
from rigwarp.commands.design import design_model
from rigwarp.commands.fit_mirror import fit_mirror, heights_told
from rigwarp.commands.options import JsonOption, RigArgument
from rigwarp.commands.scan_runs import scan_figures
from rigwarp.decode import Decoded
from rigwarp.errors import InputError
from rigwarp.files import (
    RigFolder,
    make_current,
    new_run,
    open_rig,
    read_camera,
    read_decoded,
    write_as_built,
    write_json,
    write_map,
    write_prewarp,
)
from rigwarp.files.names import CAMERA_FILE, DECODED_FILE, FIT_FILE, MAP_FILE, PREWARP_FILE, RESULTS
from rigwarp.geometry import Array
from rigwarp.prewarp import Prewarp, build_prewarp
from rigwarp.rig import Rig, inside_content
from rigwarp.table_map import TableMapFit, fit_table_map, join_samples, mounting_tolerances, samples_from_scan
from rigwarp.tracing import trace_map
from rigwarp.verification import MapBudget

STAGES = ("trace", "scan", "decode", "fit", "as_built", "prewarp", "verify", "total")
"""The stages whose seconds `--json` states; null for those that a command does not run."""


@dataclass(frozen=True, kw_only=True)
class FitMade:
    """A finished result folder and what is in it.

    Attributes
    ----------
    run : the folder.
    table_map : the map, and `figures` what `held_out_figures` says of it.
    as_built : None where the mirror's shape could not be told.
    prewarp, budget : made from the map.
    seconds : per stage.
    """

    run: Path
    table_map: TableMapFit
    figures: dict[str, Any]
    as_built: AsBuilt | None
    prewarp: Prewarp
    budget: MapBudget
    seconds: dict[str, float]


def fit(
    rig: RigArgument,
    scan: Annotated[
        str | None, typer.Option("--scan", metavar="STAMP", help="The scan to use; by default the latest finished one.")
    ] = None,
    json: JsonOption = False,
) -> None:
    """Fit the table map, the as-built mirror and the prewarp to a scan, and make the result current.

    Where there is a scan on a raised board (rigwarp scan RIG --raised MM) with the same rig.toml and camera.json, the
    mirror is fitted to both scans together.
    """
    console = Console(json=json)
    folder = open_rig(rig)
    made = fit_scans(console, folder, table_scans(folder, scan))
    print_fit(console, made)
    console.result(
        {
            "result": made.run,
            "table_map": made.figures,
            "as_built": as_built_figures(made.as_built),
            "verification": None,  # nothing was shown on the table yet
            "seconds": {**dict.fromkeys(STAGES), **made.seconds, "total": sum(made.seconds.values())},
        }
    )


def fit_scans(
    console: Console, folder: RigFolder, scans: Sequence[Path], *, decoded: Sequence[Decoded] | None = None
) -> FitMade:
    """Everything that follows from a scan, written to a new result folder that becomes current.

    `scans` are its run folders, more than one where the zones were lit one at a time; `decoded` saves reading them.
    """
    start = time.monotonic()
    camera = camera_of(folder)
    decoded = decoded or [read_decoded(scan / DECODED_FILE) for scan in scans]
    for one in decoded:
        _check_sizes(folder, camera, one)
    names = [scan.name for scan in scans]
    origin = {"rig_hash": folder.rig_hash, "scan": " + ".join(names)}
    with (
        new_run(folder.root / RESULTS, "fit", folder, settings={"scans": names}) as run,
        console.stage(3, "Fitting") as advance,
    ):
        model = design_model(folder)
        tolerances = rig_tolerances(folder.rig)
        clock = _Laps(start)
        samples = join_samples([samples_from_scan(one, camera, folder.rig.table) for one in decoded])
        table_map = fit_table_map(model, samples, camera, tolerances)
        clock.lap("fit")
        advance()
        as_built = fit_mirror(console, folder, scans, model, table_map, camera, tolerances, decoded)
        clock.lap("as_built")
        advance()
        transfer = folder.rig.projector.transfer
        prewarp = build_prewarp(table_map.table_map, folder.rig.content, transfer, light=table_map.light)
        clock.lap("prewarp")
        advance()
        parts = {
            "sigma_random_mm": table_map.random_mm,
            "sigma_common_mm": table_map.common_mm,
            "sigma_decode_mm": table_map.decode_mm,
            "light": table_map.light,
        }
        write_map(run / MAP_FILE, table_map.table_map, rig_hash=folder.rig_hash, scan=origin["scan"], more=parts)
        if as_built is not None:
            write_as_built(run, as_built, extra=origin)
        write_prewarp(run / PREWARP_FILE, prewarp, extra=origin)
        figures = held_out_figures(folder.rig, table_map)
        write_json(run / FIT_FILE, _fit_record(table_map, figures, decoded, clock.seconds), format="rigwarp fit")
        budget = write_budget(folder, run)
    make_current(folder.root, run)
    return FitMade(
        run=run,
        table_map=table_map,
        figures=figures,
        as_built=as_built,
        prewarp=prewarp,
        budget=budget,
        seconds=clock.seconds,
    )


class _Laps:
    """Seconds per stage."""

    def __init__(self, start: float) -> None:
        self._last = start
        self.seconds: dict[str, float] = {}

    def lap(self, name: str) -> None:
        now = time.monotonic()
        self.seconds[name] = now - self._last
        self._last = now


def camera_of(folder: RigFolder) -> CameraModel:
    """The rig's calibrated camera."""
    make_with = f"Make it with: rigwarp camera {folder.root} --lens DIR --table PHOTO"
    return read_camera(folder.root / CAMERA_FILE, make_with=make_with)


def rig_tolerances(rig: Rig) -> Array:
    """(12,) mounting tolerances of the rig file."""
    projector, mirror = rig.projector, rig.mirror
    return mounting_tolerances(
        projector.position_tolerance_mm,
        projector.rotation_tolerance_rad,
        mirror.position_tolerance_mm,
        mirror.rotation_tolerance_rad,
    )


def held_out_figures(rig: Rig, table_map: TableMapFit) -> dict[str, Any]:
    """The map judged by samples that it was not fitted to, and how much of the lit content area it covers."""
    held_out = table_map.held_out
    return {
        "n": held_out.n,
        "rms_mm": held_out.rms_mm,
        "p95_mm": held_out.p95_mm,
        "max_mm": held_out.max_mm,
        "coverage": content_coverage(rig, table_map),
        "z_spread": held_out.z_spread,
        "z_spread_of_noise": held_out.z_spread_of_noise,
        "not_proven": table_map.not_proven,
    }


def content_coverage(rig: Rig, table_map: TableMapFit) -> float:
    """Share of the projector pixels that the registered design sends to the content area which the map has measured."""
    design = trace_map(table_map.registration.model)
    wanted = design.answered
    wanted[wanted] = inside_content(rig.content, design.table_mm[wanted])
    return float(np.mean(table_map.table_map.measured[wanted])) if wanted.any() else 0.0


def print_fit(console: Console, made: FitMade) -> None:
    """The result for people."""
    figures, registration = made.figures, made.table_map.registration
    console.say(f"Result {made.run} (now current)")
    console.table(
        [
            ("table map, on samples held out", f"{figures['rms_mm']:.3f} mm rms, {figures['p95_mm']:.3f} mm P95"),
            ("content area covered", f"{figures['coverage']:.1%}"),
            ("design against samples, as drawn", f"{registration.rms_before_mm:.2f} mm rms"),
            ("after moving projector and mirror", f"{registration.rms_after_mm:.2f} mm rms"),
            ("mirror figure", _figure(made.as_built)),
            *([("told by", heights_told(made.as_built))] if made.as_built else []),
            (
                "warp mesh",
                f"{len(made.prewarp.triangles)} triangles, off by {made.prewarp.mesh_error_px:.3f} px at most",
            ),
        ]
    )
    if made.table_map.not_proven:
        console.say(f"  {made.table_map.not_proven}")
    print_budget(console, made.budget)
    for finding in made.as_built.findings if made.as_built else ():
        console.say(f"  {finding.what}: {finding.effect} {finding.moves_mm:.1f} mm; {finding.prewarp}")
        console.say(f"    hint (common practice): {finding.cause}; remedy: {finding.remedy}")
    for direction in made.as_built.unobservable if made.as_built else ():
        console.say(f"  the data cannot tell: {direction}")


def as_built_figures(as_built: AsBuilt | None) -> dict[str, Any] | None:
    """What `--json` says of the mirror; `figure_rms_um` first."""
    if as_built is None:
        return None
    return {"figure_rms_um": as_built.figures.rms_um, **as_built.to_dict()}


def _figure(as_built: AsBuilt | None) -> str:
    if as_built is None:
        return "not told by this scan"
    figures = as_built.figures
    return f"{figures.rms_um:.0f} um rms, {figures.rms_without_power_um:.0f} um without power"


def _check_sizes(folder: RigFolder, camera: CameraModel, decoded: Decoded) -> None:
    seen = decoded.reason.shape[::-1]
    if camera.resolution != seen:
        raise InputError(
            f"{folder.root / CAMERA_FILE}: calibrated at {camera.resolution[0]} x {camera.resolution[1]} pixels, but "
            f"the scan has {seen[0]} x {seen[1]}. Calibrate and scan at the same resolution."
        )


def _fit_record(
    table_map: TableMapFit, figures: dict[str, Any], decoded: Sequence[Decoded], seconds: dict[str, float]
) -> dict[str, Any]:
    registration = table_map.registration
    scans = {f"scan {number}": scan_figures(one) for number, one in enumerate(decoded, start=1)}
    names = ("projector_shift_mm", "projector_turn_rad", "mirror_shift_mm", "mirror_turn_rad")
    return {
        "table_map": figures,
        "registration": {
            "rms_before_mm": registration.rms_before_mm,
            "rms_after_mm": registration.rms_after_mm,
            "shifts": dict(zip(names, registration.shifts.reshape(4, 3), strict=True)),
        },
        "samples": {"offered": table_map.samples_offered, "used": table_map.samples_used},
        "decode": scans if len(decoded) > 1 else scans["scan 1"],
        "seconds": seconds,
    }
