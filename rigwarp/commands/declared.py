"""A command's function as its module declares it, without what it takes to run it.

Arguments, options and words of help need a few of a module's imports; NumPy, SciPy and OpenCV are needed only once the
function is called. So the help of a command, and what it says of a mistyped option, come at once.
"""

import ast
import functools
from collections.abc import Callable
from typing import Any


def declared(source: str, name: str, call: Callable[..., Any]) -> Callable[..., Any]:
    """The function of that name with its signature and docstring; `call` is what it does.

    Parameters
    ----------
    source : of the module. Those of its statements are carried out which arguments, their annotations and defaults
        rest on, and no others.
    """
    before, function = _up_to(ast.parse(source), name)
    if not ast.get_docstring(function):
        raise ValueError(f"{name} has no docstring")
    function.body = function.body[:1]
    wanted, kept = _names(function), list[ast.stmt]([function])
    for statement in reversed(before):
        needed = _only(statement, wanted)
        if needed is not None:
            kept.insert(0, needed)
            wanted |= _names(needed)
    space: dict[str, Any] = {"__name__": f"{__name__}.{name}"}
    exec(compile(ast.Module(body=kept, type_ignores=[]), f"<declaration of {name}>", "exec"), space)
    return functools.wraps(space[name])(lambda *args, **kwargs: call(*args, **kwargs))


def _up_to(module: ast.Module, name: str) -> tuple[list[ast.stmt], ast.FunctionDef]:
    """The statements before a function's, and that."""
    for at, statement in enumerate(module.body):
        if isinstance(statement, ast.FunctionDef) and statement.name == name:
            return module.body[:at], statement
    raise ValueError(f"there is no function {name}")


def _names(statement: ast.AST) -> set[str]:
    """What a statement looks up."""
    return {node.id for node in ast.walk(statement) if isinstance(node, ast.Name)}


def _only(statement: ast.stmt, wanted: set[str]) -> ast.stmt | None:
    """A statement as far as it binds wanted names; None where it binds none of them."""
    if isinstance(statement, ast.Import | ast.ImportFrom):
        names = [one for one in statement.names if (one.asname or one.name.partition(".")[0]) in wanted]
        if not names:
            return None
        statement.names = names
        return statement
    if isinstance(statement, ast.FunctionDef | ast.ClassDef):
        return statement if statement.name in wanted else None
    bound = {node.id for node in ast.walk(statement) if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)}
    return statement if bound & wanted else None
