"""Runs the benchmarks beside this file and reports what they measured.

    python tests/benchmarks/run.py [--json] [--cells PATTERN ...] [--seeds A-B] [--jobs N] [NAME ...]

Each bench_NAME.py has a function `measure() -> dict` of plain numbers, texts and nested dicts. Its key "held", where it
has one, is a dict from what was wanted, in words, to whether it holds; if anything does not, the exit code is 1.
A benchmark can also be run alone: `python tests/benchmarks/bench_NAME.py [--json]`. Where `measure` takes `cells`, a
table of cases can be run in part: `--cells` with patterns such as "round-table/*", before it all NAMEs. Likewise
`seeds`, for draws at random, and `jobs`, for cases that processes of their own can take (`spread`).
"""

import argparse
import importlib.util
import inspect
import json
import os
import platform
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")  # it would stand on stdout, beside the JSON object

_HERE = Path(__file__).resolve().parent


def machine() -> dict[str, Any]:
    """What the figures were measured on."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else None
    return {"python": platform.python_version(), "system": platform.machine(), "cores": cores, "load": load}


def names() -> list[str]:
    """All benchmarks, in alphabetical order."""
    return sorted(path.stem.removeprefix("bench_") for path in _HERE.glob("bench_*.py"))


def measure_of(name: str) -> Callable[..., dict[str, Any]]:
    """The measure function of bench_NAME.py."""
    spec = importlib.util.spec_from_file_location(f"bench_{name}", _HERE / f"bench_{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # processes of `spread` look its functions up by this name
    spec.loader.exec_module(module)
    return module.measure


def spread(one: Callable[[Any], Any], cases: Sequence[Any], jobs: int) -> list[Any]:
    """`one` of each case, in this process or shared out to several; each is written to stderr as it ends."""
    found = []
    if jobs == 1:
        for case in cases:
            found.append(one(case))
            sys.stderr.write(f"  {case}: {found[-1]}\n")
        return found
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn"), initializer=_one_thread) as pool:
        for case, result in zip(cases, pool.map(one, cases), strict=True):
            found.append(result)
            sys.stderr.write(f"  {case}: {result}\n")
    return found


def _one_thread() -> None:
    import cv2

    cv2.setNumThreads(1)


def alone(name: str, measure: Callable[..., dict[str, Any]]) -> int:
    """What a benchmark does when it is run by itself; the exit code, or the process's end where a thread hangs."""
    parser = argparse.ArgumentParser(prog=f"bench_{name}")
    _add_options(parser)
    asked = parser.parse_args()
    return _ended(report({name: measure(**_taken(measure, asked))}, as_json=asked.json))


def _ended(code: int) -> int:
    """As a command of rigwarp ends: what hangs in a decoder would abort Python's own end."""
    from rigwarp.cli import leave_what_hangs  # here, since some benchmarks set their environment first

    leave_what_hangs(code)
    return code


def _add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout")
    parser.add_argument(
        "--cells", nargs="+", metavar="PATTERN", help="only these cases of benchmarks that have several"
    )
    parser.add_argument("--seeds", type=_range, metavar="A-B", help="these draws of benchmarks that draw at random")
    parser.add_argument("--jobs", type=int, metavar="N", help="processes, where cases can be shared out")


def _range(text: str) -> range:
    """A range of whole numbers, both ends included."""
    first, _, last = text.partition("-")
    return range(int(first), int(last or first) + 1)


def _taken(measure: Callable[..., dict[str, Any]], asked: argparse.Namespace) -> dict[str, Any]:
    """Those options that were given and that the benchmark takes."""
    takes = inspect.signature(measure).parameters
    given = {key: getattr(asked, key) for key in ("cells", "seeds", "jobs")}
    return {key: value for key, value in given.items() if value is not None and key in takes}


def report(found: dict[str, dict[str, Any]], *, as_json: bool) -> int:
    """Write results to stdout; 1 where something wanted does not hold, else 0."""
    if as_json:
        sys.stdout.write(json.dumps({"machine": machine(), "benchmarks": found}, indent=1) + "\n")
    else:
        for name, figures in found.items():
            sys.stdout.write("\n".join([name, *_lines(figures, 1)]) + "\n")
    return 0 if all(all(figures.get("held", {}).values()) for figures in found.values()) else 1


def _lines(figures: dict[str, Any], depth: int) -> list[str]:
    lines = []
    for key, value in figures.items():
        if isinstance(value, dict):
            lines += ["  " * depth + key, *_lines(value, depth + 1)]
        else:
            held = {True: "yes", False: "NO"}.get(value) if isinstance(value, bool) else None
            shown = held or (f"{value:.4g}" if isinstance(value, float) else str(value))
            lines.append("  " * depth + f"{key}: {shown}")
    return lines


def main() -> int:
    """All benchmarks, or those that are named."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"one of: {', '.join(names())}")
    _add_options(parser)
    asked = parser.parse_args()
    unknown = set(asked.names) - set(names())
    if unknown:
        parser.error(f"no benchmark {', '.join(sorted(unknown))}; there are: {', '.join(names())}")
    found = {}
    for name in asked.names or names():
        sys.stderr.write(f"{name} ...\n")
        measure = measure_of(name)
        found[name] = measure(**_taken(measure, asked))
    return _ended(report(found, as_json=asked.json))


if __name__ == "__main__":
    sys.exit(main())
