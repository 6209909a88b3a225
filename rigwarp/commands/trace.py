"""`rigwarp trace`: what the design promises, before anything is measured."""

from dataclasses import asdict
from typing import Annotated

import typer

from rigwarp.commands.console import Console, print_next
from rigwarp.commands.options import JsonOption, RigArgument
from rigwarp.files import open_rig
from rigwarp.jobs.recognise import Recognised, check_from_cad, recognise_mirror
from rigwarp.jobs.trace import trace_rig
from rigwarp.reports.measures.coverage import Coverage
from rigwarp.reports.measures.light_paths import LightPaths
from rigwarp.reports.measures.tolerance_rows import (
    FACES_HEAD,
    FORMS_HEAD,
    SENSITIVITY_HEAD,
    cause_rows,
    export_rows,
    face_rows,
    form_rows,
    sensitivity_facts,
    sensitivity_rows,
)
from rigwarp.tracing import ExportCheck, Sensitivity, ToleranceAnalysis
from rigwarp.words import number

_FORECAST_FROM = (
    "rigs drawn within rig.toml's 1-sigma tolerances, shifts linear in each parameter; tolerance.figure_rms_um is "
    "shared out among each zone's Zernike terms up to n = 4 as 1 / n^2"
)


RecogniseOption = Annotated[
    bool,
    typer.Option(
        "--recognise",
        help="Say which closed form a mirror from a CAD file is, print the lines of rig.toml that give it so, and "
        "trace these, too: how far would the spots move?",
    ),
]


def trace(rig: RigArgument, recognise: RecogniseOption = False, json: JsonOption = False) -> None:
    """Trace the design: what is lit, how sharply, how brightly, what is blocked, and which dimension matters.

    Writes design.npz and pictures. The forecast draws rigs at random within the tolerances in rig.toml and tells how
    far their pictures would be off if nothing were measured.
    """
    console = Console(json=json)
    folder = open_rig(rig)
    if recognise:
        check_from_cad(folder.rig)
    made = trace_rig(folder, console)
    form = recognise_mirror(folder, made.design) if recognise else None
    found, expected = made.sensitivity, made.tolerances
    console.say(f"{folder.rig.name}: the design, traced into {made.path}")
    _print_design(console, made.coverage, made.light, made.export)
    if len(made.faces) > len(made.light.zones):
        console.table(face_rows(made.faces), head=FACES_HEAD)
    if found is not None and expected is not None:
        _print_forecast(console, found, expected)
    else:
        console.say("\nNo forecast: rig.toml has to be put right first.")
    if form is not None:
        _print_form(console, form)
    for doubt in made.doubts:
        console.say(f"  - {doubt}")
    for picture in made.pictures:
        console.say(f"  picture {picture}")
    console.result(
        {
            "design": made.path,
            "coverage": asdict(made.coverage),
            "light": asdict(made.light),
            "faces": [asdict(face) for face in made.faces],
            "export": None if made.export is None else asdict(made.export),
            "recognised": None if form is None else asdict(form),
            "sensitivity": [] if found is None else sensitivity_facts(found),
            "forecast": None
            if expected is None
            else {**asdict(expected), "sentence": expected.sentence, "from": _FORECAST_FROM},
            "pictures": made.pictures,
            "doubts": made.doubts,
        }
    )
    print_next(console, folder)


def _print_design(console: Console, coverage: Coverage, light: LightPaths, export: ExportCheck | None) -> None:
    console.table(light.zone_rows(), head=("zone", "piece of mirror", "light", "content area"))
    console.table(coverage.rows() + light.rows())
    if export is not None:
        console.table(export_rows(export))
        if export.advice:
            console.say(f"  {export.advice}")


def _print_forecast(console: Console, found: Sensitivity, expected: ToleranceAnalysis) -> None:
    console.say(
        "\nWhich dimension matters: mm on the table per unit, over the content area; left: rms after the best shift, "
        "turn and scale"
    )
    console.table(sensitivity_rows(found), head=SENSITIVITY_HEAD)
    console.say(f"\n{expected.sentence}")
    console.table(cause_rows(expected))


def _print_form(console: Console, form: Recognised) -> None:
    console.say("\nThe closed form nearest to each face")
    console.table(form_rows(form.faces), head=FORMS_HEAD)
    if not form.toml:
        console.say("rig.toml has no kind of mirror for this: keep the file.")
        return
    console.say(
        f"With the lines below, 95 % of the spots on the content move by less than {number(form.moved_p95_mm, 2)} mm, "
        f"and {100 * form.light_on_content:.1f} % of the projector's light lands on it instead of "
        f"{100 * form.light_on_content_before:.1f} %. "
        + (
            "Write them in place of kind, file, reflecting_side and crease_deg; a base or bracket of the file shades "
            "no light any more."
            if form.same
            else "That is too far: keep the file."
        )
    )
    if form.same:
        console.say(f"\n{form.toml}", as_is=True)
