"""`rigwarp new`: a rig folder to edit."""

from pathlib import Path
from typing import Annotated

import typer

from rigwarp.commands.console import Console
from rigwarp.commands.options import JsonOption
from rigwarp.scenarios import create_rig


def new_rig(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The folder to make.", show_default=False)],
    like: Annotated[str, typer.Option(metavar="SCENARIO", help="What to start from.")] = "round-table",
    json: JsonOption = False,
) -> None:
    """Make a rig folder to edit.

    The folder gets a commented rig.toml with every key that the scenario needs. Replace its numbers by those of your
    own rig, then run: rigwarp check DIR
    """
    console = Console(json=json)
    written = create_rig(like, folder)
    for path in written:
        console.say(f"wrote {path}")
    console.say(f"Edit {folder / 'rig.toml'}, then run: rigwarp check {folder}")
    console.result({"scenario": like, "folder": folder, "files": written})
