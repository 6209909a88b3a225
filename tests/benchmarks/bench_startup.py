"""How long a command takes to begin: processor time, as a ratio to what it cannot do without.

`rigwarp --help` and each command's beside the help of a bare typer application; a command's module beside NumPy, SciPy
and OpenCV alone. Each is the least of several runs, alternating, in processes of their own.
"""

import os
import subprocess
import sys
from typing import Any

from rigwarp.cli import COMMANDS

_RUNS = 5
_BARE_HELP = "import typer\napp = typer.Typer(add_completion=False)\n@app.command()\ndef one(): ...\napp(['--help'])"
_LIBRARIES = "import numpy, scipy.interpolate, scipy.ndimage, scipy.optimize, scipy.sparse.linalg, scipy.spatial, cv2"
_COMMANDS = ("check", "scan", "fit", "verify", "play")
_MOST_HELP, _MOST_COMMAND_HELP, _MOST_COMMAND = 1.5, 2.5, 3.5


def measure() -> dict[str, Any]:
    """Processor seconds, and ratios."""
    scripts = {
        "bare help": _BARE_HELP,
        "help": "from rigwarp.cli import main; main(['--help'])",
        **{f"{name} help": f"from rigwarp.cli import main; main(['{name}', '--help'])" for name in COMMANDS},
        "libraries": _LIBRARIES,
        **{name: f"import rigwarp.commands.{name}" for name in _COMMANDS},
    }
    least_s = dict.fromkeys(scripts, float("inf"))
    for _ in range(_RUNS):
        for name, script in scripts.items():
            least_s[name] = min(least_s[name], _took_s(script))
    help_ratio = least_s["help"] / least_s["bare help"]
    slowest = max(least_s[f"{name} help"] for name in COMMANDS) / least_s["bare help"]
    worst = max(least_s[name] for name in _COMMANDS) / least_s["libraries"]
    return {
        "seconds": least_s,
        "help over bare help": help_ratio,
        "slowest command's help over bare help": slowest,
        "slowest command over libraries": worst,
        "held": {
            f"help at most {_MOST_HELP:g} times a bare one": help_ratio <= _MOST_HELP,
            f"a command's help at most {_MOST_COMMAND_HELP:g} times a bare one": slowest <= _MOST_COMMAND_HELP,
            f"a command at most {_MOST_COMMAND:g} times its libraries": worst <= _MOST_COMMAND,
        },
    }


def _took_s(script: str) -> float:
    """Processor seconds of a process of its own."""
    before = os.times()
    subprocess.run([sys.executable, "-c", script], check=True, stdout=subprocess.DEVNULL)
    after = os.times()
    return after.children_user + after.children_system - before.children_user - before.children_system


if __name__ == "__main__":
    from run import alone

    sys.exit(alone("startup", measure))
