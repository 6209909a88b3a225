"""The person at the terminal: prompts, and the confirmation that fast patterns need."""

import select
import sys

from rigwarp.commands.console import Console
from rigwarp.devices import VIRTUAL
from rigwarp.errors import UsageError
from rigwarp.files import RigFolder

FAST_WARNING = (
    "Warning: --fast-patterns changes the whole picture more than six times a second. That is more than the three "
    "flashes a second that are considered safe, and can cause seizures in people with photosensitive epilepsy, also in "
    "those who do not know that they have it. Go on only if nobody can see the projector's light or its reflections."
)


class AtTerminal:
    """Whoever sits at the terminal that the command was typed into; nobody where there is none."""

    def __init__(self, console: Console) -> None:
        self._console = console

    def ask(self, prompt: str) -> bool:
        """Show a prompt and wait for Enter."""
        if not sys.stdin.isatty():
            return False
        self._console.note(prompt)
        sys.stdin.readline()
        return True

    def entered(self) -> bool:
        """Whether a line was entered; never waits. Windows tells this of sockets only: keys do there."""
        if sys.platform == "win32" or not sys.stdin.isatty():
            return False
        ready, _, _ = select.select([sys.stdin], [], [], 0.0)
        return bool(ready) and sys.stdin.readline() != ""


def confirm_fast(console: Console, folder: RigFolder, *, fast: bool, yes: bool) -> None:
    """Warn of fast patterns and have them confirmed; virtual rigs need no warning: nobody watches them.

    Raises
    ------
    UsageError
        If nobody confirms.
    """
    if not fast or folder.rig.camera.device == VIRTUAL:
        return
    console.note(FAST_WARNING)
    require_yes(console, yes=yes, what="--fast-patterns", without="without it patterns keep to a safe rate")


def agree_to_command(console: Console, text: str) -> bool:
    """Show a command that a rig folder wants to run, and have it agreed to by whoever reads it; no option does that.

    Raises
    ------
    UsageError
        If nobody is there, or does not agree.
    """
    console.note("rig.toml wants to run this command on your machine, with your rights, for each photograph:")
    console.note(f"    {text}")
    require_yes(console, yes=False, what="--trust", without="the command is not run", asked="answer on a terminal")
    return True


def require_yes(
    console: Console, *, yes: bool, what: str, without: str, asked: str = "answer on a terminal, or add --yes"
) -> None:
    """Have an option confirmed; UsageError, saying what comes of it, if nobody confirms."""
    if yes:
        return
    if not sys.stdin.isatty():
        raise UsageError(f"{what} has to be confirmed: {asked}")
    console.note("Type yes to go on:")
    if sys.stdin.readline().strip().lower() != "yes":
        raise UsageError(f"{what} was not confirmed; {without}")
