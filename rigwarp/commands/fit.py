"""`rigwarp fit`: a scan becomes the table map, the as-built mirror and the prewarp; the result becomes current."""

from typing import Annotated

import typer

from rigwarp.commands.console import Console
from rigwarp.commands.fit_text import STAGES, as_built_figures, print_fit
from rigwarp.commands.next_text import print_next
from rigwarp.commands.options import JsonOption, RigArgument
from rigwarp.files import open_rig
from rigwarp.jobs.results.fit import fit_rig


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
    made = fit_rig(console, folder, scan)
    print_fit(console, made)
    console.result(
        {
            "result": made.run,
            "table_map": made.figures.to_dict(),
            "as_built": as_built_figures(made.as_built),
            "verification": None,  # nothing was shown on the table yet
            "seconds": {**dict.fromkeys(STAGES), **made.seconds, "total": sum(made.seconds.values())},
        }
    )
    print_next(console, folder)
