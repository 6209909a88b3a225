"""`rigwarp export`: results for other programs and for the workshop, in open formats."""

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

from rigwarp.commands.console import Console, print_next
from rigwarp.commands.options import JsonOption, RigArgument
from rigwarp.defaults import THICKNESS_MM
from rigwarp.files import open_rig
from rigwarp.jobs.results.export import export_current


def export(
    rig: RigArgument,
    format: Annotated[
        str,
        typer.Option(
            "--format",
            metavar="FORMAT",
            help="obj, gltf, pfm, exr, csv, npz or mpcdi (experimental): the warp. mould, mould-dxf, deviation-npz "
            "or deviation-csv: the mirror.",
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="PATH", help="File, or folder for a warp; by default in the result folder."),
    ] = None,
    share: Annotated[
        float,
        typer.Option("--share", help="mould: the share of the deviation to take off, 0.1 to 1.", min=0.1, max=1.0),
    ] = 0.8,
    without_power: Annotated[
        bool, typer.Option("--without-power", help="mould: leave the mirror's power as designed.")
    ] = False,
    thickness: Annotated[
        float, typer.Option("--thickness", metavar="MM", help="mould: of the plate under it.", min=1.0, max=100.0)
    ] = THICKNESS_MM,
    view_mirror: Annotated[
        int | None,
        typer.Option("--view-mirror", metavar="N", help="mould, deviation: of the view's mirror N, from 0.", min=0),
    ] = None,
    correction: Annotated[
        bool, typer.Option("--correction/--no-correction", help="Warps: include the correction by hand (adjust.json).")
    ] = True,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an export that is there.")] = False,
    json: JsonOption = False,
) -> None:
    """Write the current result for other programs and for the workshop.

    A warp comes as a folder: its file, the gain as pictures, and a README.md on
    origin, row order and units.

    * obj, gltf: a mesh with texture coordinates.
    * pfm: absolute content pixels.
    * exr: texture coordinates as OpenEXR, for compositing (needs one more package: pip install OpenEXR).
    * csv, npz: for scripts.
    * mpcdi: the open interchange standard of VESA. EXPERIMENTAL: written from
    memory of the standard, never checked against its text or a reader.

    The mirror comes as one file.

    * mould: for the next mirror, the design with the smooth part of the
    deviation taken off; refused where the scan does not tell it. A formed
    mirror comes as a closed solid (STL) on a plate whose nose points to the
    mirror's +y. A mirror of panels comes as its flat pattern at true size (SVG):
    cut and score lines, the angle of each fold, a template of each bent panel.
    * mould-dxf: the flat pattern as DXF (needs one more package: pip install
    ezdxf).
    * deviation-npz, deviation-csv: the map of the deviation.

    With --view-mirror N that of a mirror through which the rig's own camera looks (rigwarp view fit).
    """
    console = Console(json=json)
    folder = open_rig(rig, without_projector=view_mirror is not None)
    facts = export_current(
        folder,
        format,
        out=out,
        replace=replace,
        correction=correction,
        share=share,
        without_power=without_power,
        thickness_mm=thickness,
        view_mirror=view_mirror,
    )
    console.say(f"wrote {facts['file']}")
    if format in ("mould", "mould-dxf"):
        _print_mould(console, facts)
    if "note" in facts:
        console.note(facts["note"])
    if format == "mpcdi":
        console.note("mpcdi is experimental: try it with a test picture first; its README.md says what was assumed.")
    console.result({"format": format, **facts})
    if view_mirror is None:
        print_next(console, folder)


def _print_mould(console: Console, facts: Mapping[str, Any]) -> None:
    taken = f"took off {100 * facts['share']:.0f} % of the deviation (--share)"
    if "correction_rms_um" in facts:
        taken += f": {facts['correction_rms_um']:.1f} µm rms, {facts['correction_largest_um']:.1f} µm at most"
    console.say(taken)
    if "closed" in facts:
        plate = f"on a plate of {facts['thickness_mm']:g} mm" if facts["thickness_mm"] else "with the design's own base"
        console.say(f"{'a closed solid' if facts['closed'] else 'an OPEN surface, not a solid'} {plate}")
    if "sentences" in facts:
        for line in facts["sentences"]:
            console.say(line)
    console.say(facts["mark"])
