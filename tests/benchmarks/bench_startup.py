"""How long a command takes to begin: processor time, as a ratio to what it cannot do without.

`rigwarp --help` and each command's beside the help of a bare typer application; a command's module, and `check` of a
new rig with its devices left alone, beside NumPy, SciPy and OpenCV alone. Each is the least of several runs,
alternating, in processes of their own.
"""

import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from rigwarp.cli import COMMANDS
from rigwarp.scenarios import create_rig

_RUNS = 5
_BARE_HELP = "import typer\napp = typer.Typer(add_completion=False)\n@app.command()\ndef one(): ...\napp(['--help'])"
_LIBRARIES = "import numpy, scipy.interpolate, scipy.ndimage, scipy.optimize, scipy.sparse.linalg, scipy.spatial, cv2"
_COMMANDS = ("check", "scan", "fit", "verify", "play")
_MOST_HELP, _MOST_COMMAND_HELP, _MOST_COMMAND, _MOST_CHECK = 1.5, 2.0, 3.5, 4.0


def measure() -> dict[str, Any]:
    """Processor seconds, and ratios."""
    with tempfile.TemporaryDirectory() as place:
        create_rig("round-table", Path(place))
        return _measured(
            f"import sys; from rigwarp.cli import main; sys.exit(main(['check', '--files-only', {place!r}]))"
        )


def _measured(check: str) -> dict[str, Any]:
    scripts = {
        "bare help": _BARE_HELP,
        "help": "from rigwarp.cli import main; main(['--help'])",
        **{f"{name} help": f"from rigwarp.cli import main; main(['{name}', '--help'])" for name in COMMANDS},
        "libraries": _LIBRARIES,
        **{name: f"import rigwarp.commands.{name}" for name in _COMMANDS},
        "check of a rig": check,
    }
    least_s = dict.fromkeys(scripts, float("inf"))
    for _ in range(_RUNS):
        for name, script in scripts.items():
            least_s[name] = min(least_s[name], _took_s(script))
    help_ratio = least_s["help"] / least_s["bare help"]
    slowest = max(least_s[f"{name} help"] for name in COMMANDS) / least_s["bare help"]
    worst = max(least_s[name] for name in _COMMANDS) / least_s["libraries"]
    of_a_rig = least_s["check of a rig"] / least_s["libraries"]
    return {
        "seconds": least_s,
        "help over bare help": help_ratio,
        "slowest command's help over bare help": slowest,
        "slowest command over libraries": worst,
        "check of a rig over libraries": of_a_rig,
        "held": {
            f"help at most {_MOST_HELP:g} times a bare one": help_ratio <= _MOST_HELP,
            f"a command's help at most {_MOST_COMMAND_HELP:g} times a bare one": slowest <= _MOST_COMMAND_HELP,
            f"a command at most {_MOST_COMMAND:g} times its libraries": worst <= _MOST_COMMAND,
            f"check of a rig at most {_MOST_CHECK:g} times the libraries": of_a_rig <= _MOST_CHECK,
        },
    }


def _took_s(script: str) -> float:
    """Processor seconds of a process of its own."""
    before = os.times()
    subprocess.run([sys.executable, "-c", script], check=True, capture_output=True)
    after = os.times()
    return after.children_user + after.children_system - before.children_user - before.children_system


if __name__ == "__main__":
    from run import alone

    sys.exit(alone("startup", measure))
