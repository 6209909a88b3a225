"""`rigwarp fit`: a scan becomes the table map, the as-built mirror and the prewarp; the result becomes current."""

from dataclasses import asdict
from typing import Annotated

import typer

from rigwarp.commands.console import Console, print_next
from rigwarp.commands.fit_text import STAGES, as_built_figures, print_fit
from rigwarp.commands.options import AcceptOption, JsonOption, RigArgument
from rigwarp.commands.verify_text import verdict_record
from rigwarp.files import open_rig
from rigwarp.jobs.checks.verify import require_passed
from rigwarp.jobs.results.fit import border_record, fit_rig, not_current
from rigwarp.jobs.samples.material import material_sample, material_shares


def fit(
    rig: RigArgument,
    scan: Annotated[
        str | None, typer.Option("--scan", metavar="STAMP", help="The scan to use; by default the latest finished one.")
    ] = None,
    accept: AcceptOption = False,
    json: JsonOption = False,
) -> None:
    """Fit the table map, the as-built mirror and the prewarp to a scan, and make the result current.

    Map and prewarp come first and go live, in a player that runs, too; the mirror's form follows in the same folder.

    Exit code 6, and the result is kept but not made current, when it cannot be what was designed and built: the map
    turned, mirrored or of another size, content without light, a mirror or a mounting beyond its tolerances.

    Where there is a scan on a raised board (rigwarp scan RIG --raised MM) with the same rig.toml and camera.json, the
    mirror is fitted to both scans together.
    """
    console = Console(json=json)
    folder = open_rig(rig)
    sample = material_sample(folder)  # a wrong one is told before there is a result
    made = fit_rig(console, folder, scan, accept=accept)
    print_fit(console, made)
    shares = material_shares(sample, made.as_built)
    for share in shares:
        console.say(f"  {share.sentence}")
    if sample is not None and not shares:
        console.say("  material: no ripple was found on the mirror that its sample could be set beside")
    console.result(
        {
            "result": made.run,
            "current": made.current,
            "verdict": verdict_record(made.verdict),
            "table_map": made.figures.to_dict(),
            "borders": [border_record(border).to_dict() for border in made.table_map.borders],
            "as_built": as_built_figures(made.as_built),
            "material": [asdict(share) for share in shares],
            "verification": None,  # nothing was shown on the table yet
            "seconds": {**dict.fromkeys(STAGES), **made.seconds, "verify": None, "total": sum(made.seconds.values())},
            "ready_s": made.ready_s,
        }
    )
    print_next(console, folder)
    if not accept:
        require_passed(made.verdict, not_current(folder.root, made.run))
