"""Virtual rigs on which the whole job was done, for benchmarks that judge it."""

import io
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

from rigwarp.cli import main


def demo_folders(scenarios: Sequence[str]) -> Iterator[tuple[str, Path]]:
    """Scenario and rig folder, one after the other; the folders are gone when the loop ends."""
    with tempfile.TemporaryDirectory() as name:
        for scenario in scenarios:
            root = Path(name) / scenario
            with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
                code = main(["demo", scenario, "--dir", str(root)])
            if code != 0:
                raise RuntimeError(f"demo {scenario} ended with {code}")
            yield scenario, root
