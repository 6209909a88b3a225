"""patterns.json: which frames a scan shows."""

from pathlib import Path

from rigwarp.errors import InputError
from rigwarp.files.atomic import write_json
from rigwarp.files.reading import read_json
from rigwarp.patterns import PatternSet

FORMAT = "rigwarp patterns"


def write_patterns(path: Path, patterns: PatternSet) -> None:
    """Write the description of a pattern set."""
    write_json(path, patterns.to_dict(), format=FORMAT)


def read_patterns(path: Path) -> PatternSet:
    """The pattern set that a scan was made with.

    Raises
    ------
    InputError
        If the file is missing, damaged or foreign, or describes no usable pattern set.
    """
    contents = read_json(path, format=FORMAT, make_with="Make it with: rigwarp scan RIG --export DIR")
    try:
        return PatternSet.from_dict(contents)
    except InputError as error:
        raise InputError(f"{path}: {error}") from None
