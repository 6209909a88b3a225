"""Arguments and options that several commands share."""

from pathlib import Path
from typing import Annotated

import typer

RigArgument = Annotated[Path, typer.Argument(metavar="RIG", help="The rig folder, or its rig.toml.")]
DisplayOption = Annotated[
    int | None,
    typer.Option(
        "--display",
        metavar="N",
        min=0,
        help="Which monitor is the projector, as `rigwarp check` counts them; by default the only one of its size "
        "beside the primary one.",
    ),
]
AverageOption = Annotated[
    int, typer.Option("--average", metavar="N", min=1, max=100, help="Photographs per pattern, whose mean is used.")
]
ResumeOption = Annotated[
    bool,
    typer.Option(
        "--resume",
        help="Go on with the scan that was interrupted last, with its settings, unless something has moved since.",
    ),
]
FastOption = Annotated[
    bool,
    typer.Option(
        "--fast-patterns",
        help="Change patterns as fast as the devices can: more than the three flashes a second that are considered "
        "safe. Has to be confirmed.",
    ),
]
YesOption = Annotated[bool, typer.Option("--yes", help="Confirm --fast-patterns without being asked.")]
LookOption = Annotated[
    bool,
    typer.Option(
        "--look/--no-look",
        help="First look at what the camera sees of a few pictures, and refuse a scan that would be worth nothing; the "
        "exposure is set where the camera lets it be and needs it.",
    ),
]
AcceptOption = Annotated[
    bool, typer.Option("--accept", help="Make the result current although something speaks against it.")
]
PageHostOption = Annotated[
    str,
    typer.Option(
        "--page-host",
        metavar="ADDRESS",
        help="Where the page listens; 0.0.0.0 lets the whole network in, where everything is sent unencrypted.",
    ),
]
PageNameOption = Annotated[
    list[str] | None,
    typer.Option("--page-name", metavar="NAME", help="A further name by which browsers reach the page; repeatable."),
]
CallOption = Annotated[
    str, typer.Option("--call", metavar="TEXT", help="Whom to call when something is wrong: shown at the page.")
]
LanguageOption = Annotated[
    str, typer.Option("--lang", metavar="en|de", help="Language of the page; by default the browser's.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="One JSON object on stdout, everything else on stderr.")]
