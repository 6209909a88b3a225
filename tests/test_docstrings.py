"""What the docstrings owe their readers, read from the source: who raises says so."""

import ast
import functools
from collections.abc import Iterator
from pathlib import Path

import pytest

import rigwarp
from rigwarp import errors

PACKAGE = Path(rigwarp.__file__).parent
OURS = {
    name
    for name, one in vars(errors).items()
    if isinstance(one, type) and issubclass(one, errors.RigwarpError) and one.__module__ == errors.__name__
}

Function = ast.FunctionDef | ast.AsyncFunctionDef


def public_names(room: Path) -> dict[str, Path]:
    """Name -> the module that defines it, of what a room's `__init__.py` lists in `__all__`."""
    tree = parsed(room / "__init__.py")
    listed: set[str] = set()
    source: dict[str, Path] = {}
    for node in tree.body:
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("rigwarp."):
            module = PACKAGE.parent.joinpath(*node.module.split("."))
            path = module.with_suffix(".py") if module.with_suffix(".py").exists() else module / "__init__.py"
            source |= {alias.name: path for alias in node.names}
        elif isinstance(node, ast.Assign) and any(isinstance(t, ast.Name) and t.id == "__all__" for t in node.targets):
            listed = set(ast.literal_eval(node.value))
    return {name: path for name, path in source.items() if name in listed}


@functools.cache
def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def functions_of(path: Path, name: str) -> Iterator[tuple[str, Function]]:
    """The function of that name, or the public methods of the class of that name."""
    for node in parsed(path).body:
        if isinstance(node, Function) and node.name == name:
            yield name, node
        elif isinstance(node, ast.ClassDef) and node.name == name:
            for method in node.body:
                if isinstance(method, Function) and not method.name.startswith("_"):
                    yield f"{name}.{method.name}", method


def raised(function: Function) -> set[str]:
    """Names of our exceptions that stand behind a `raise` in a function's body."""
    found = {
        node.exc.func.id if isinstance(node.exc, ast.Call) and isinstance(node.exc.func, ast.Name) else ""
        for node in ast.walk(function)
        if isinstance(node, ast.Raise)
    }
    return found & OURS


def public_functions_that_raise() -> dict[str, tuple[Function, set[str]]]:
    found = {}
    for room in sorted(path.parent for path in PACKAGE.glob("*/__init__.py")):
        for name, path in public_names(room).items():
            for label, function in functions_of(path, name):
                if errors_raised := raised(function):
                    found[f"{room.name}: {label}"] = function, errors_raised
    return found


RAISING = public_functions_that_raise()


def test_the_source_was_read():
    assert len(RAISING) > 30
    assert {"camera: charuco_board", "decode: decode"} <= set(RAISING)


@pytest.mark.parametrize("label", RAISING)
def test_whoever_raises_says_so(label):
    function, errors_raised = RAISING[label]
    _, _, section = (ast.get_docstring(function) or "").partition("\nRaises\n------\n")
    missing = {name for name in errors_raised if name not in section}
    assert not missing, f"{label}: the docstring wants a section Raises that names {', '.join(sorted(missing))}"
