"""Arguments and options that several commands share."""

from pathlib import Path
from typing import Annotated

import typer

RigArgument = Annotated[
    Path, typer.Argument(metavar="RIG", help="The rig folder, or its rig.toml.", show_default=False)
]
JsonOption = Annotated[
    bool, typer.Option("--json", help="One JSON object on stdout, everything else on stderr.", show_default=False)
]
