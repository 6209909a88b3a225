"""The last line of a command: how things stand and what to type next."""

from rigwarp.commands.console import Console
from rigwarp.commands.lines import together
from rigwarp.files import RigFolder
from rigwarp.jobs.next_step import NextStep, next_step


def print_next(console: Console, folder: RigFolder) -> None:
    """One sentence, one command."""
    console.say()
    print_step(console, next_step(folder))


def print_step(console: Console, step: NextStep) -> None:
    """One sentence, and the command whole, to be copied."""
    console.say(f"{step.standing} Next: {together(step.command)}")
