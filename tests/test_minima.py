"""The minimum versions that are declared are the ones that .ci/run tries."""

import re
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[1]


def version(text: str) -> tuple[int, ...]:
    """Without the zeros at its end: 2.1 and 2.1.0 are one version."""
    numbers = [int(part) for part in text.split(".")]
    while numbers[-1] == 0:
        numbers.pop()
    return tuple(numbers)


def test_what_is_declared_is_what_is_tried() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    declared = dict(re.fullmatch(r"([\w-]+)>=([\d.]+).*", line).groups() for line in project["dependencies"])  # type: ignore[union-attr]
    lines = (ROOT / "tests" / "minima.txt").read_text().splitlines()
    tried = dict(line.split("==") for line in lines if not line.startswith("#"))
    assert {name: version(least) for name, least in declared.items()} == {n: version(v) for n, v in tried.items()}
    assert "tests/minima.txt" in (ROOT / ".ci" / "run").read_text()
