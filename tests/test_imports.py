"""The architecture, read from the source: who may import whom, and what the numeric core must never touch."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import rigwarp

PACKAGE = Path(rigwarp.__file__).parent

# Top to bottom: a room may import rooms of lower rows, never its own row or a higher one. patterns stands above rig
# because its frames are encoded with the transfer curve that the rig file names.
ROWS = (
    {"cli"},
    {"commands"},
    {"page"},
    {"jobs"},
    {"capture", "live", "reports", "sheets"},
    {"devices", "scenarios"},
    {"files", "simulation"},
    {"talk"},
    {"prewarp", "verification", "view"},
    {"as_built"},
    {"samples", "table_map"},
    {"camera", "decode", "tracing"},
    {"patterns"},
    {"rig"},
    {"geometry"},
    {"defaults", "errors", "words"},
)
ROW_OF = {room: row for row, rooms in enumerate(ROWS) for room in rooms}

# An independent model of the physics: it shares no approximation with what it judges.
SIMULATION_MAY_USE = {"geometry", "rig", "patterns", "errors"}

NUMERIC = {room for room in ROW_OF if ROW_OF[room] >= ROW_OF["prewarp"]} | {"simulation"}
OUTSIDE_WORLD = {
    "pygame", "moderngl", "matplotlib", "rich", "typer", "click", "jinja2",  # windows, text and pictures
    "os", "pathlib", "io", "shutil", "tempfile", "glob", "mmap", "zipfile", "sqlite3",  # files
    "subprocess", "socket", "urllib", "http", "requests", "multiprocessing", "threading", "signal",  # others
    "time", "datetime", "calendar",  # clocks
    "random", "secrets", "uuid",  # chance that nobody passed in
    "logging", "sys", "importlib", "ctypes",
}  # fmt: skip
FORBIDDEN_CALLS = {
    "open", "print", "input", "exec", "eval", "__import__", "breakpoint",
    "load", "save", "savez", "savez_compressed", "savetxt", "loadtxt", "genfromtxt", "fromfile", "tofile", "memmap",
    "imread", "imreadmulti", "imwrite", "VideoCapture", "VideoWriter", "FileStorage",
    "imshow", "namedWindow", "waitKey",
    "getTickCount", "seed", "RandomState", "setRNGSeed", "randn", "randu",
}  # fmt: skip


def imported_names(tree: ast.Module, package: str) -> Iterator[str]:
    """Full dotted name of everything a module imports, wherever in it; `package` resolves relative imports."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parents = package.split(".")[: len(package.split(".")) - node.level + 1]
                base = ".".join([*parents, base] if base else parents)
            yield from (f"{base}.{alias.name}" for alias in node.names)


def called_names(tree: ast.Module) -> Iterator[tuple[str, int, bool]]:
    """Last name, line, and whether it has no arguments, of every call."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name | ast.Attribute):
            name = node.func.id if isinstance(node.func, ast.Name) else node.func.attr
            yield name, node.lineno, not (node.args or node.keywords)


def breaches(source: str, room: str, *, package: str = "") -> list[str]:
    """What in a module's source breaks the rules for its room."""
    tree = ast.parse(source)
    found = []
    for name in imported_names(tree, package or f"rigwarp.{room}"):
        top, _, rest = name.partition(".")
        other = rest.partition(".")[0]
        if top == "rigwarp" and other in ROW_OF and other != room:
            if ROW_OF[other] <= ROW_OF[room]:
                found.append(f"imports {name}, which is not below {room}")
            elif room == "simulation" and other not in SIMULATION_MAY_USE:
                found.append(f"imports {name}, which the simulation must not share")
        elif room in NUMERIC and top in OUTSIDE_WORLD:
            found.append(f"imports {name}")
    if room in NUMERIC:
        found += [f"line {line}: calls {name}" for name, line, _ in called_names(tree) if name in FORBIDDEN_CALLS]
        found += [
            f"line {line}: draws its own seed"
            for name, line, bare in called_names(tree)
            if name == "default_rng" and bare
        ]
    return found


def modules() -> list[Path]:
    """Every module but the package's own, which `test_package_imports_nothing` looks at."""
    return sorted(path for path in PACKAGE.rglob("*.py") if path != PACKAGE / "__init__.py")


def commands_breaches(source: str, module: str) -> list[str]:
    """What in a module of `commands` breaks its floors: commands, texts, what both stand on, and lines of text."""
    names = {
        rest.split(".")[0]
        for name in imported_names(ast.parse(source), "rigwarp.commands")
        if name.startswith("rigwarp.commands.") and (rest := name.removeprefix("rigwarp.commands."))
    }
    floor = _floor(module)
    return [f"{module} imports {other}, which is not on a lower floor" for other in names if _floor(other) <= floor]


def _floor(module: str) -> int:
    if module == "lines":
        return 3
    if module in {"console", "options"}:
        return 2
    return 1 if module.endswith("_text") or module == "terminal" else 0


def room_of(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_module_keeps_the_rules(path: Path) -> None:
    room = room_of(path)
    package = ".".join(["rigwarp", *path.relative_to(PACKAGE).parts[:-1]])
    assert breaches(path.read_text(encoding="utf-8"), room, package=package) == []


def test_every_room_has_a_row() -> None:
    """A new room has to be given its place before anything may use it."""
    rooms = {room_of(path) for path in modules()}
    assert rooms <= set(ROW_OF)
    assert {"geometry", "rig", "simulation", "cli"} <= rooms  # the walk found the package at all


def test_package_imports_nothing() -> None:
    """`import rigwarp` stays cheap: what stands outside functions and TYPE_CHECKING is the language's own."""
    tree = ast.parse((PACKAGE / "__init__.py").read_text(encoding="utf-8"))
    at_once = ast.Module([node for node in tree.body if isinstance(node, ast.Import | ast.ImportFrom)], [])
    assert {name.partition(".")[0] for name in imported_names(at_once, "rigwarp")} <= {"typing", "__future__"}


@pytest.mark.parametrize(
    ("room", "source"),
    [
        ("geometry", "from rigwarp.rig import Rig"),  # upwards
        ("camera", "from rigwarp.decode import decode"),  # a sibling
        ("decode", "import rigwarp.simulation"),  # an estimator that sees the truth
        ("files", "from rigwarp.simulation import VirtualRig"),  # siblings, both ways
        ("simulation", "from rigwarp.tracing import trace_map"),  # below, but shared approximation
        ("simulation", "from rigwarp import camera"),
        ("simulation", "from rigwarp.prewarp.model import Prewarp"),
        ("live", "from rigwarp.commands.console import Console"),
        ("reports", "def f():\n    from rigwarp.capture import scan"),  # hidden in a function
        ("tracing", "from ..table_map import fit"),  # relative
        ("errors", "import rigwarp.geometry"),
        ("table_map", "import time"),
        ("table_map", "from pathlib import Path"),
        ("as_built", "import matplotlib.pyplot as plt"),
        ("prewarp", "import moderngl"),
        ("rig", "import random"),
        ("decode", "f = open('x')"),
        ("verification", "print(1)"),
        ("camera", "import numpy as np\nnp.load('x.npz')"),
        ("camera", "import cv2\ncv2.imread('x.png')"),
        ("simulation", "import numpy as np\nrng = np.random.default_rng()"),
        ("simulation", "import numpy as np\nnp.random.seed(1)"),
    ],
)
def test_breach_is_found(room: str, source: str) -> None:
    assert breaches(source, room) != []


@pytest.mark.parametrize(
    ("room", "source"),
    [
        ("cli", "from rigwarp.commands.check import check\nimport rigwarp"),
        ("commands", "from rigwarp.live import play\nfrom rigwarp.simulation import VirtualRig\nprint(1)"),
        ("simulation", "from rigwarp.patterns import PatternSet\nfrom rigwarp.rig import Rig"),
        ("tracing", "from rigwarp.tracing.surfaces.conic import ConicSurface\nfrom .panel import flat_panel"),
        ("table_map", "import numpy as np\nimport scipy.optimize\nfrom rigwarp.camera import CameraModel"),
        ("files", "import os\nfrom rigwarp.prewarp import Prewarp\nopen('x')"),
        ("patterns", "from rigwarp.rig import Transfer"),
    ],
)
def test_allowed_source_passes(room: str, source: str) -> None:
    assert breaches(source, room) == []


@pytest.mark.parametrize("path", sorted((PACKAGE / "commands").glob("*.py")), ids=lambda path: path.stem)
def test_no_command_imports_another(path: Path) -> None:
    assert commands_breaches(path.read_text(encoding="utf-8"), path.stem) == []


def test_a_command_that_imports_another_is_found() -> None:
    assert commands_breaches("from rigwarp.commands.scan import scan", "calibrate") != []
    assert commands_breaches("from rigwarp.commands.fit_text import print_fit", "verify_text") != []
    assert commands_breaches("from rigwarp.commands.fit_text import print_fit", "calibrate") == []


def test_nobody_else_takes_a_console_or_reads_the_terminal() -> None:
    others = [path for path in modules() if room_of(path) not in ("commands", "cli")]
    speaking = [path for path in others if re.search(r": Console\b|sys\.stdin\.", path.read_text(encoding="utf-8"))]
    assert [path.relative_to(PACKAGE).as_posix() for path in speaking if path.name != "process.py"] == []
