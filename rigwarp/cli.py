"""The command line: `rigwarp COMMAND ...`. Here, and only here, exceptions become text and exit codes.

A command is a module of rigwarp.commands with a typed function of the same name. Only the module of the command that
runs is imported, and only then; help texts and options are read from the source, so that `--help` is quick.
"""

import contextlib
import errno
import functools
import importlib
import inspect
import os
import platform
import re
import sys
import tempfile
import threading
import time
import traceback
import warnings
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Final

import typer

import rigwarp
from rigwarp.commands.declared import declared
from rigwarp.commands.lines import columns_of, filled
from rigwarp.defaults import PORT
from rigwarp.errors import EXIT_INTERRUPTED, EXIT_OK, InputError, RigwarpError

COMMANDS: Final = {
    "demo": "demo",
    "new": "new_rig",
    "next": "next",
    "check": "check",
    "trace": "trace",
    "targets": "targets",
    "camera": "camera",
    "scan": "scan",
    "fit": "fit",
    "verify": "verify",
    "report": "report",
    "calibrate": "calibrate",
    "play": "play",
    "page": "page",
    "export": "export",
    "view": "view",
    "samples": "samples",
}
"""Command -> its module in rigwarp.commands, and the function in it."""

EXIT_UNEXPECTED: Final = 1
_DISK_ERRORS: Final = {
    *(errno.ENOSPC, errno.EROFS, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EACCES, errno.EPERM),
    *(errno.ENOENT, errno.ENOTDIR, errno.EISDIR, errno.ENAMETOOLONG, errno.ELOOP),
}
"""Errors of a file or disk that are the user's to mend, wherever they come up."""
_PAGE_OPTION = "--page"
_LAST_S: Final = 1.0
"""For threads that are about to end."""
_TRACEBACK_OPTION = "--traceback"
_TRACEBACK_VARIABLE = "RIGWARP_TRACEBACK"

_HELP = (
    "Calibrate a projector that shines onto a table through a mirror, and play content undistorted.\n\n"
    "Exit codes: 0 ok, 1 unexpected, 2 usage, 3 bad input, 4 device, 5 measurement unusable, 6 out of tolerance, "
    "130 interrupted."
)


class _Interrupted(Exception):
    """Ctrl-C; its text says what is kept."""


class _ReaderGone(Exception):
    """Nobody reads what the command writes."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code; messages go to stderr.

    Without arguments the process's own are taken, and it ends here where a thread still hangs.
    """
    code = _outcome(arguments)
    if arguments is None:
        leave_what_hangs(code)
    return code


def _outcome(arguments: Sequence[str] | None) -> int:
    os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")  # it would stand on stdout, beside the JSON object
    # the fits solve many small systems: on a busy machine several BLAS threads spend their time waiting for each other
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    if arguments is None and not sys.warnoptions:
        warnings.simplefilter("ignore")  # NumPy's remarks beside an error line help nobody at a terminal
    given = list(sys.argv[1:] if arguments is None else arguments)
    given, show_traceback = _without_traceback_option(given)
    try:
        return _run(_with_page_port(given))
    except (KeyboardInterrupt, _Interrupted) as stopped:
        kept = str(stopped) or "unfinished work is not used. Run the command again."  # where no job has said what is
        _complain(f"interrupted; {kept}")
        return EXIT_INTERRUPTED
    except (BrokenPipeError, _ReaderGone):  # `rigwarp ... | head` has seen enough
        _write_nowhere()
        return EXIT_INTERRUPTED
    except RigwarpError as error:
        if show_traceback:
            traceback.print_exc()
        _complain(str(error))
        return error.exit_code
    except Exception as error:
        reason = _refused_by_system(error)
        if reason is not None and not show_traceback:
            _complain(reason)
            return InputError.exit_code
        if show_traceback:
            traceback.print_exc()
        what = " ".join(str(error).split())[:300] or "no further message"
        _complain(f"unexpected {type(error).__name__}: {what}. {_where_logged(given, show_traceback)}")
        return EXIT_UNEXPECTED


def build_app(requested: str | None) -> typer.Typer:
    """The application, with the function of the requested command and only the names and help of the others."""
    app = typer.Typer(
        name="rigwarp", help=_HELP, no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False
    )
    app.callback()(_global_options)
    for name, module in COMMANDS.items():
        if name == requested:
            function = _load(module)
            app.command(name, help=_flowing(function.__doc__ or ""))(_interruptible(function))
        else:
            app.command(name, help=_help_of(module))(_not_loaded)
    return app


def _run(arguments: list[str]) -> int:
    requested = next((word for word in arguments if not word.startswith("-")), None)
    try:
        build_app(requested)(arguments, prog_name="rigwarp")
    except SystemExit as leaving:
        code = EXIT_OK if leaving.code is None else leaving.code
        return code if isinstance(code, int) else EXIT_UNEXPECTED
    return EXIT_OK


def _global_options(
    version: Annotated[
        bool,
        typer.Option("--version", help="Show the version and leave.", is_eager=True, callback=lambda on: _version(on)),
    ] = False,
    show_traceback: Annotated[
        bool, typer.Option(_TRACEBACK_OPTION, help=f"Show where an error comes from (also: {_TRACEBACK_VARIABLE}=1).")
    ] = False,
) -> None:
    """Options of rigwarp itself; `--traceback` is taken out before, so that it may stand anywhere."""


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"rigwarp {rigwarp.__version__}")
        raise typer.Exit


def _load(module: str) -> Callable[..., Any]:
    """A command's function, whose module is imported once it is called."""

    def call(*args: Any, **kwargs: Any) -> None:
        getattr(importlib.import_module(f"rigwarp.commands.{module}"), module)(*args, **kwargs)

    return declared(_source_of(module), module, call)


def _interruptible(function: Callable[..., Any]) -> Callable[..., Any]:
    """The function with Ctrl-C and a broken pipe turned into our own, before the option parser takes them for its."""

    @functools.wraps(function)
    def run(*args: Any, **kwargs: Any) -> None:
        try:
            function(*args, **kwargs)
        except KeyboardInterrupt as stopped:
            raise _Interrupted(str(stopped)) from None
        except BrokenPipeError:
            raise _ReaderGone from None

    return run


def _not_loaded() -> None:
    """Stands for a command that was not asked for."""


def _source_of(module: str) -> str:
    """Source text of a command's module, without importing it."""
    return (Path(__file__).parent / "commands" / f"{module}.py").read_text(encoding="utf-8")


def _help_of(module: str) -> str:
    """First paragraph of the docstring of a command's function."""
    found = re.search(rf'^def {module}\(.*?"""(.*?)(?:"""|\n\n)', _source_of(module), re.DOTALL | re.MULTILINE)
    return _flowing(found[1]) if found else ""


def _flowing(text: str) -> str:
    """A docstring whose paragraphs are one line each, for a terminal of any width; lines with a star stay apart."""
    paragraphs = re.split(r"\n\s*\n|\n(?=\* )", inspect.cleandoc(text))
    return "\n\n".join(" ".join(paragraph.split()) for paragraph in paragraphs)


def _without_traceback_option(arguments: list[str]) -> tuple[list[str], bool]:
    """The arguments without `--traceback`, and whether it (or its environment variable) is given."""
    options = arguments[: arguments.index("--")] if "--" in arguments else arguments
    rest = [word for word in options if word != _TRACEBACK_OPTION] + arguments[len(options) :]
    wanted = len(rest) < len(arguments) or os.environ.get(_TRACEBACK_VARIABLE, "") not in ("", "0")
    return rest, wanted


def _write_nowhere() -> None:
    """Let Python end without a word on a pipe that nobody reads any more (its documentation, "Note on SIGPIPE")."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(BrokenPipeError):
            stream.flush()
            continue
        os.dup2(nowhere, stream.fileno())


def _with_page_port(arguments: list[str]) -> list[str]:
    """The arguments of `play` with a port behind a `--page` that has none: the option parser knows no such options."""
    if _PAGE_OPTION not in arguments or arguments[0] != "play":
        return arguments
    at = arguments.index(_PAGE_OPTION) + 1
    told = bool(arguments[at:]) and arguments[at].isdigit()
    return arguments if told else [*arguments[:at], str(PORT), *arguments[at:]]


def leave_what_hangs(code: int) -> None:
    """End the process at once if a thread hangs in a driver or decoder: coming back while Python ends, it aborts it."""
    until = time.monotonic() + _LAST_S
    for thread in threading.enumerate():
        if thread.daemon and thread is not threading.current_thread():
            thread.join(timeout=max(until - time.monotonic(), 0.0))
            if thread.is_alive():
                for stream in (sys.stdout, sys.stderr):
                    with contextlib.suppress(OSError, ValueError):  # nobody reads it any more
                        stream.flush()
                os._exit(code)


def _complain(message: str) -> None:
    one_line = message.replace("\n", "\\n")  # a file name may hold one
    text = filled(f"rigwarp: {one_line}", columns_of(sys.stderr))
    print(text, file=sys.stderr)  # noqa: T201 - this is the place where errors become text


def _refused_by_system(error: Exception) -> str | None:
    """What the disk or the memory would not give, in words; None for any other error."""
    if isinstance(error, MemoryError):
        return "there is not enough memory for this. Close other programs, or use smaller files."
    if not isinstance(error, OSError) or error.errno not in _DISK_ERRORS:
        return None
    where = f"{error.filename}: " if error.filename else ""
    return f"{where}{error.strerror}. Check that the disk has space and the folder may be read and written."


def _where_logged(arguments: list[str], shown: bool) -> str:
    """Write the details of the exception being handled to a file and say where it is."""
    if shown:
        return "The details stand above."
    now = datetime.now(UTC)
    path = Path(tempfile.gettempdir()) / f"rigwarp-{now:%Y%m%dT%H%M%SZ}-{os.getpid()}.log"
    about = f"rigwarp {rigwarp.__version__}, Python {platform.python_version()}, {platform.platform()}\n{arguments}\n\n"
    try:
        path.write_text(about + traceback.format_exc(), encoding="utf-8")
    except OSError:
        return f"Run it again with {_TRACEBACK_OPTION} to see the details."
    return f"The details are in {path}."


if __name__ == "__main__":
    sys.exit(main())
