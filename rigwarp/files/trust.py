"""Commands of rig folders that the user of this machine has agreed to, word for word."""

import os
import sys
from pathlib import Path
from typing import Final

from rigwarp.errors import InputError
from rigwarp.files.atomic import write_json
from rigwarp.files.reading import read_json

_FORMAT: Final = "rigwarp trusted commands"
_FILE: Final = "trusted_commands.json"


def trust_file() -> Path:
    """Where they are kept: in the user's own configuration, which no rig folder brings along."""
    if sys.platform == "win32":
        base = Path(os.environ.get("APPDATA") or Path.home() / "AppData" / "Roaming")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config")
    return base / "rigwarp" / _FILE


def is_trusted(text: str) -> bool:
    """Whether exactly this text has been agreed to; InputError if the file is there and cannot be read."""
    return text in _trusted()


def add_trusted(text: str) -> Path:
    """Remember that a text has been agreed to; returns the file."""
    path = trust_file()
    path.parent.mkdir(parents=True, exist_ok=True)
    commands = sorted({*_trusted(), text})
    write_json(path, {"commands": commands}, format=_FORMAT, replace=True)
    return path


def _trusted() -> list[str]:
    path = trust_file()
    if not path.exists():
        return []
    commands = read_json(path, format=_FORMAT).get("commands")
    if not isinstance(commands, list) or not all(isinstance(text, str) for text in commands):
        raise InputError(f"{path}: found no list of commands. Remove the file, and agree to them again.")
    return commands
