"""`rigwarp export`: results for other programs and for the workshop, in open formats."""

from pathlib import Path
from typing import Annotated

import typer

from rigwarp.commands.console import Console
from rigwarp.commands.options import JsonOption, RigArgument
from rigwarp.files import open_rig
from rigwarp.jobs.results.export import export_current


def export(
    rig: RigArgument,
    format: Annotated[
        str,
        typer.Option(
            "--format",
            metavar="FORMAT",
            help="obj, gltf, pfm, exr, csv, npz or mpcdi (experimental): the warp. mould, deviation-npz or "
            "deviation-csv: the mirror.",
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="PATH",
            help="File, or folder for a warp; by default in the result folder.",
            show_default=False,
        ),
    ] = None,
    share: Annotated[
        float,
        typer.Option("--share", help="mould: the share of the deviation to take off, 0.1 to 1.", min=0.1, max=1.0),
    ] = 0.8,
    without_power: Annotated[
        bool, typer.Option("--without-power", help="mould: leave the mirror's power as designed.")
    ] = False,
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

    * mould: the design mesh as STL with the smooth part of the mirror's deviation
    taken off, for the next mirror; refused where the scan does not tell it.
    * deviation-npz, deviation-csv: the map of the deviation.
    """
    console = Console(json=json)
    written = export_current(
        open_rig(rig),
        format,
        out=out,
        replace=replace,
        correction=correction,
        share=share,
        without_power=without_power,
    )
    console.say(f"wrote {written.file}")
    if "note" in written.facts:
        console.note(written.facts["note"])
    if format == "mpcdi":
        console.note("mpcdi is experimental: try it with a test picture first; its README.md says what was assumed.")
    console.result({"format": format, **written.facts})
