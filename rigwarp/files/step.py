"""STEP files, read by the OpenCASCADE kernel in a process of its own; an extra: rigwarp[step].

A small file can ask the kernel for hours and for all memory, and a damaged one can end the process that it runs in.
"""

import importlib.util
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rigwarp.files import mesh_limits
from rigwarp.files.step_kernel import COUNT_NAME, MESH_NAME, PART_NAME, REASON_NAME
from rigwarp.geometry import ExactFaces, Nurbs, TriangleMesh

MOST_S: Final = 60.0
"""Of processor time; five times as long by the clock, since the machine may be busy."""
MOST_BYTES: Final = 4 << 30
_BEGINNING = b"ISO-10303-21"
_PROGRAM = Path(__file__).with_name("step_kernel.py")
_OUT_OF_TIME = (-getattr(signal, "SIGXCPU", 0), -getattr(signal, "SIGKILL", 0))


def step_mesh(data: bytes) -> TriangleMesh:
    """Triangles in mm, wound outwards, their corners and 3 to 36 more points of each on the exact faces.

    Raises
    ------
    ModuleNotFoundError
        Without the kernel.
    ValueError
        With the reason, where the file holds no faces, or too much to read in `MOST_S` and `MOST_BYTES`.
    """
    if importlib.util.find_spec("OCP") is None:
        raise ModuleNotFoundError("OCP")
    if not data.lstrip().startswith(_BEGINNING):
        raise ValueError(f"it does not begin with {_BEGINNING.decode()}")
    with tempfile.TemporaryDirectory(prefix="rigwarp-step-") as name:
        folder = Path(name)
        (folder / PART_NAME).write_bytes(data)
        _run_kernel(folder)
        with np.load(folder / MESH_NAME) as arrays:
            return _mesh(arrays)


def _mesh(arrays: Mapping[str, NDArray[Any]]) -> TriangleMesh:
    """What the kernel found; fields as `step_kernel._mesh` names them."""
    splines = [
        Nurbs(**{name: arrays[f"{name}_{k}"] for name in ("poles", "knots_u", "knots_v")})
        if f"poles_{k}" in arrays
        else None
        for k in range(int(arrays["face"].max()) + 1)
    ]
    return TriangleMesh(
        vertices_mm=arrays["vertices_mm"],
        faces=arrays["faces"],
        on_surface_mm=arrays["on_surface_mm"],
        exact=ExactFaces(face=arrays["face"], surfaces=tuple(splines), corners_uv=arrays["corners_uv"]),
    )


def _run_kernel(folder: Path) -> None:
    """Have mesh.npz made of the part in a folder; ValueError with the reason."""
    limits = [str(limit) for limit in (mesh_limits.MOST_TRIANGLES, MOST_S, MOST_BYTES)]
    try:
        done = subprocess.run(
            [sys.executable, "-P", _PROGRAM, folder, *limits],
            env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,  # the kernel reports its progress there
            stderr=subprocess.DEVNULL,
            timeout=5.0 * MOST_S,
        )
    except subprocess.TimeoutExpired:
        done = None
    if done is None or done.returncode in _OUT_OF_TIME:
        raise ValueError(f"the kernel needs more than {MOST_S:g} s for it: leave out what is no part of the mirror")
    if (folder / COUNT_NAME).exists():
        mesh_limits.require_triangles(int((folder / COUNT_NAME).read_text(encoding="ascii")))
    if (folder / REASON_NAME).exists():
        raise ValueError((folder / REASON_NAME).read_text(encoding="utf-8"))
    if done.returncode:
        raise ValueError(f"the kernel needs more than {MOST_BYTES >> 30} GB for it, or cannot bear it")
