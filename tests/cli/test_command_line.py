"""Exit codes, one-line errors, --json, Ctrl-C, and what --help loads."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import pytest
import typer

from rigwarp import cli, errors
from rigwarp.cli import COMMANDS


@pytest.fixture
def command(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[..., Any]], None]:
    """Put a function in the place of `rigwarp check`."""

    def replace(function: Callable[..., Any]) -> None:
        monkeypatch.setattr(cli, "_load", lambda module: function)

    return replace


def test_version(run: Callable[..., Any]) -> None:
    assert run("--version") == (0, "rigwarp 0.1.0\n", "")


def test_help_lists_the_commands_in_order(run: Callable[..., Any]) -> None:
    code, out, _ = run("--help")
    assert code == 0
    places = [out.index(f"│ {name} ", out.index("Commands")) for name in COMMANDS]
    assert places == sorted(places)
    assert "Validate a rig file" in out


def test_each_command_loads_and_has_help(run: Callable[..., Any]) -> None:
    for name in COMMANDS:
        code, out, err = run(name, "--help")
        assert (code, err) == (0, ""), name
        assert f"rigwarp {name}" in out
        assert " [] " not in out, f"{name}: words in square brackets were taken for markup"


def test_help_of_each_command_is_read_from_its_source() -> None:
    for name, module in COMMANDS.items():
        assert cli._help_of(module), f"{name}: {module}.py has no function {module} with a docstring"


def test_help_imports_nothing_but_what_typer_needs() -> None:
    """What makes it quick; the time itself is `run.py startup`'s."""
    loaded = "import sys; print(*sorted({name.partition('.')[0] for name in sys.modules} - sys.stdlib_module_names))"
    bare = "import typer\napp = typer.Typer(add_completion=False)\n@app.command()\ndef one(): ...\n"

    def packages(script: str) -> set[str]:
        words = [sys.executable, "-c", script + "\n" + loaded]
        said = subprocess.run(words, check=True, capture_output=True, text=True)
        return set(said.stdout.splitlines()[-1].split())

    peer = packages(bare + "app(['--help'], standalone_mode=False)")
    assert packages("from rigwarp.cli import main; main(['--help'])") - peer == {"rigwarp"}


def test_the_player_does_without_what_only_calibrating_needs() -> None:
    """SciPy takes 50 MB, of 250 that a board has for the player; the memory itself is `run.py small_board`'s."""
    modules = "rigwarp.commands.play, rigwarp.jobs.play, rigwarp.live.run.window, rigwarp.live.render.cpu"
    script = f"import sys, {modules}; print(*sys.modules)"
    said = subprocess.run([sys.executable, "-c", script], check=True, capture_output=True, text=True)
    packages = {name.partition(".")[0] for name in said.stdout.split()}
    assert {"rigwarp", "cv2", "pygame"} <= packages
    assert not packages & {"scipy", "trimesh", "matplotlib", "tornado", "pkg_resources", "PIL", "ssl"}
    assert not {"rigwarp.simulation", "pygame.mixer"} & set(said.stdout.split())


@pytest.mark.parametrize("arguments", [[], ["nonsense"], ["check"], ["check", "a", "b"], ["check", "--nonsense", "a"]])
def test_usage_errors(run: Callable[..., Any], arguments: list[str]) -> None:
    code, out, err = run(*arguments)
    assert code == 2
    assert arguments == [] or (out == "" and err != "")


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (errors.RigwarpError, 1),
        (errors.UsageError, 2),
        (errors.InputError, 3),
        (errors.DeviceError, 4),
        (errors.MeasurementError, 5),
        (errors.ToleranceError, 6),
    ],
)
def test_our_errors_are_one_line_with_their_code(
    run: Callable[..., Any], command: Callable[..., None], error: type[errors.RigwarpError], code: int
) -> None:
    def check() -> None:
        raise error("rig.toml: found this, expected that")

    command(check)
    assert run("check") == (code, "", "rigwarp: rig.toml: found this, expected that\n")


def test_unexpected_errors_are_one_line_and_a_log(
    run: Callable[..., Any], command: Callable[..., None], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def check() -> None:
        raise ZeroDivisionError("two\nlines")

    command(check)
    monkeypatch.setattr(cli.tempfile, "gettempdir", lambda: str(tmp_path))
    code, out, err = run("check")
    assert (code, out) == (1, "")
    assert err.count("\n") == 1
    assert "unexpected ZeroDivisionError: two lines." in err
    (log,) = tmp_path.iterdir()
    assert str(log) in err
    assert "Traceback" in log.read_text()


@pytest.mark.parametrize("by", ["option", "late option", "environment"])
def test_traceback_on_request(
    run: Callable[..., Any], command: Callable[..., None], monkeypatch: pytest.MonkeyPatch, by: str
) -> None:
    def check() -> None:
        raise ZeroDivisionError("x")

    command(check)
    monkeypatch.setenv("RIGWARP_TRACEBACK", "1" if by == "environment" else "")
    arguments = {"option": ["--traceback", "check"], "late option": ["check", "--traceback"], "environment": ["check"]}
    code, _, err = run(*arguments[by])
    assert code == 1
    assert "Traceback (most recent call last)" in err


def test_interrupt_in_a_command(run: Callable[..., Any], command: Callable[..., None]) -> None:
    def check() -> None:
        raise KeyboardInterrupt

    command(check)
    code, out, err = run("check")
    assert (code, out) == (130, "")
    assert err.startswith("rigwarp: interrupted")
    assert err.count("\n") == 1


@pytest.mark.skipif(os.name == "nt", reason="Windows sends Ctrl-C to a whole console")
def test_real_ctrl_c(tmp_path: Path) -> None:
    """SIGINT in a process that is filling a run folder: exit code 130, and the run is not used."""
    script = (
        "import signal, sys, time, pathlib\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"  # what a shell starts behind a & ignores it
        "from rigwarp import cli\n"
        "from rigwarp.scenarios import create_rig\n"
        "from rigwarp.files import new_run, open_rig\n"
        "root = pathlib.Path(sys.argv[1])\n"
        "create_rig('round-table', root)\n"
        "def check():\n"
        "    with new_run(root / 'scans', 'check', open_rig(root)):\n"
        "        print('ready', flush=True)\n"
        "        time.sleep(60)\n"
        "cli._load = lambda module: check\n"
        "sys.exit(cli.main(['check']))\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", script, str(tmp_path / "rig")], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=20)
    assert process.returncode == 130
    assert err.startswith("rigwarp: interrupted")
    assert err.count("\n") == 1
    (run,) = (tmp_path / "rig" / "scans").iterdir()
    assert sorted(path.name for path in run.iterdir()) == ["start.json"]


def test_no_warning_of_numpy_stands_beside_an_error_line() -> None:
    """As a user's own command line, which has no filter for warnings; the numbers are what damaged files held."""
    script = (
        "import sys\n"
        "import numpy as np\n"
        "from rigwarp import cli, errors\n"
        "def check():\n"
        "    np.array([1e308, -1e308, np.nan]) * 10.0 - np.inf\n"
        "    np.array([1e30]).astype(np.int16)\n"
        "    np.nanmean(np.array([np.nan]))\n"
        "    raise errors.InputError('map.npz: found 1e+308 mm.')\n"
        "cli._load = lambda module: check\n"
        "sys.argv = ['rigwarp', 'check']\n"
        "sys.exit(cli.main())\n"
    )
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONWARNINGS"}
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60, env=environment)
    assert (done.returncode, done.stdout) == (3, "")
    assert done.stderr == "rigwarp: map.npz: found 1e+308 mm.\n"
    loud = subprocess.run([sys.executable, "-W", "default", "-c", script], capture_output=True, text=True, timeout=60)
    assert loud.stderr.count("RuntimeWarning") >= 3  # they are there for whoever asks for them


def test_a_reader_that_has_seen_enough_is_no_error() -> None:
    """`rigwarp check RIG | head`: nothing on stderr, and interrupted."""
    script = (
        "import sys, time\n"
        "from rigwarp import cli\n"
        "def check():\n"
        "    print('ready', flush=True)\n"
        "    sys.stdin.read()\n"
        "    print('more', flush=True)\n"
        "cli._load = lambda module: check\n"
        "sys.argv = ['rigwarp', 'check']\n"
        "sys.exit(cli.main())\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", script],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdin is not None
    assert process.stderr is not None
    assert process.stdout.readline() == "ready\n"
    process.stdout.close()
    process.stdin.close()
    said = process.stderr.read()
    process.stderr.close()
    assert (process.wait(60), said) == (130, "")


@pytest.mark.parametrize("hangs", [True, False])
def test_a_thread_that_hangs_at_the_end_is_not_met_by_an_interpreter_that_is_gone(hangs: bool) -> None:
    """Python ends threads that come back late by unwinding their stack, which aborts C++ that catches everything."""
    script = (
        "import atexit, sys, threading\n"
        "from rigwarp import cli\n"
        "cli._LAST_S = 0.1\n"
        "atexit.register(print, 'Python ends')\n"
        f"if {hangs}: threading.Thread(target=threading.Event().wait, daemon=True).start()\n"
        "sys.argv = ['rigwarp', '--version']\n"
        "sys.exit(cli.main())\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("rigwarp ")
    assert ("Python ends" in done.stdout) is not hangs


def test_commands_keep_their_annotations(run: Callable[..., Any], command: Callable[..., None]) -> None:
    """The wrapper around a command must not hide its options from the parser."""
    seen = []

    def check(path: Path, n: Annotated[int, typer.Option("--number")] = 3) -> None:
        seen.append((path, n))

    command(check)
    assert run("check", "a/b", "--number", "7")[0] == 0
    assert seen == [(Path("a/b"), 7)]


def test_command_names_are_the_fixed_ones() -> None:
    assert list(COMMANDS) == [
        "demo", "new", "next", "check", "trace", "targets", "camera", "scan", "fit", "verify", "report", "calibrate",
        "play", "page", "export", "view", "samples",
    ]  # fmt: skip


def test_json_error_leaves_stdout_empty(run: Callable[..., Any], tmp_path: Path) -> None:
    code, out, err = run("check", tmp_path, "--json")
    assert (code, out) == (3, "")
    assert err.count("\n") == 1


def test_json_is_one_object(run: Callable[..., Any], tmp_path: Path) -> None:
    code, out, _ = run("new", tmp_path / "rig", "--json")
    assert code == 0
    assert json.loads(out)["scenario"] == "round-table"


def test_every_command_ends_with_what_to_type_next() -> None:
    """`next` is that line; all others print it."""
    commands = Path(cli.__file__).parent / "commands"
    sources = {name: (commands / f"{module}.py").read_text(encoding="utf-8") for name, module in COMMANDS.items()}
    assert [name for name, text in sources.items() if "print_next(" not in text and "print_step(" not in text] == []
