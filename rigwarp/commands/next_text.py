"""The last line of a command: how things stand and what to type next."""

from rigwarp.commands.console import Console
from rigwarp.files import RigFolder
from rigwarp.jobs.next_step import next_step


def print_next(console: Console, folder: RigFolder) -> None:
    """One sentence, one command."""
    console.say(f"\n{next_step(folder).sentence}")
