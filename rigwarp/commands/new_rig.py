"""`rigwarp new`: a rig folder to edit."""

from pathlib import Path
from typing import Annotated

import typer

from rigwarp.commands.console import Console, print_step
from rigwarp.commands.options import JsonOption
from rigwarp.defaults import KINDS
from rigwarp.errors import UsageError
from rigwarp.files.names import RIG_FILE
from rigwarp.scenarios import create_own_rig, create_rig


def new_rig(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The folder to make.")],
    kind: Annotated[
        str | None, typer.Option(metavar="KIND", help=f"For your own rig: the kind of mirror, {', '.join(KINDS)}.")
    ] = None,
    like: Annotated[
        str | None,
        typer.Option(metavar="SCENARIO", help="A copy of a virtual rig to try things on, such as round-table."),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Make a rig folder to edit.

    The folder gets a commented rig.toml. Replace its numbers by those of your own rig, then run: rigwarp check DIR

    Kinds of mirror: conic (sphere, paraboloid, ...), profile (round about an axis, from a table), mesh (a CAD export),
    facets (flat panels), bent (a sheet bent over a cylinder). Every key there is: demos/rig_reference.toml.
    """
    if kind is not None and like is not None:
        raise UsageError("found --kind and --like, expected one of them: a rig of your own, or a copy of a virtual one")
    console = Console(json=json)
    if kind is not None:
        written = create_own_rig(kind, folder)
    else:
        written = create_rig(like or "round-table", folder, measured=False)
    for path in written:
        console.say(f"wrote {path}")
    print_step(console, f"Edit {folder / RIG_FILE}.", f"rigwarp check {folder}")
    console.result(
        {"scenario": None if kind else like or "round-table", "kind": kind, "folder": folder, "files": written}
    )
