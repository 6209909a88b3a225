"""What the project's guides tell people to type."""

import re
import shlex
from pathlib import Path

_ROOT = Path(__file__).parents[2]
GUIDES = [_ROOT / "README.md", _ROOT / "demos" / "README.md", _ROOT / "calibration_targets" / "README.md"]
_FENCED = re.compile(r"```.*?```", re.DOTALL)
_TYPED = re.compile(r"`([^`]+)`|^ {4}(rigwarp .*)$", re.MULTILINE)


def tour_commands() -> list[list[str]]:
    """The words of each line of the README's one shell block, without the remarks."""
    block = re.findall(r"```sh\n(.*?)```", GUIDES[0].read_text(encoding="utf-8"), re.DOTALL)
    assert len(block) == 1
    return [shlex.split(line, comments=True) for line in block[0].splitlines()]


def commands_told() -> set[tuple[str, str]]:
    """(command, option) for every `rigwarp COMMAND ... --option` in the guides; "" for the command by itself."""
    typed = tour_commands()
    for guide in GUIDES:
        text = _FENCED.sub("", guide.read_text(encoding="utf-8"))
        typed += ["".join(span).split() for span in _TYPED.findall(text)]
    commands = [words[1:] for words in typed if words[0] == "rigwarp" and len(words) > 1]
    return {(words[0], option) for words in commands for option in ["", *words[1:]] if option[:2] in ("", "--")}
