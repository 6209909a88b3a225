"""`rigwarp next`: where a rig stands, and what to type next."""

from rigwarp.commands.console import Console, print_step
from rigwarp.commands.options import JsonOption, RigArgument
from rigwarp.files import open_rig
from rigwarp.jobs.next_step import next_step


def next(rig: RigArgument, json: JsonOption = False) -> None:
    """Say in one sentence where a rig stands, and the one command to type next.

    Only looks at what lies in the rig folder; nothing is measured or changed.
    """
    console = Console(json=json)
    step = next_step(open_rig(rig))
    print_step(console, step.standing, step.command)
    console.result({"standing": step.standing, "command": step.command})
