"""Light is carried through a virtual rig once per session, however often commands open the rig anew."""

import hashlib
import pickle
from collections.abc import Callable

import pytest

from rigwarp.simulation import VirtualRig
from rigwarp.simulation.transport import Scene

_MOST = 6  # full-size rigs hold some 50 MB each


def share_scenes(patch: pytest.MonkeyPatch) -> None:
    """Let rigs that were built alike, to the bit, share their scene and exposure; photographs stay their own.

    Whoever asks for the progress of building gets it built.
    """
    known: dict[str, tuple[Scene, float]] = {}
    build = VirtualRig.prepare

    def prepare(self: VirtualRig, *, progress: Callable[[float], None] | None = None) -> None:
        if self._scene is not None:
            return
        made_of = (self._rig, self.truth, self._meshes, self._profiles, self._set_before)
        key = hashlib.sha256(pickle.dumps(made_of)).hexdigest()
        if key in known and progress is None:
            self._scene, self._gain = known[key]
            return
        build(self, progress=progress)
        assert self._scene is not None
        known[key] = self._scene, self._gain
        if len(known) > _MOST:
            del known[next(iter(known))]

    patch.setattr(VirtualRig, "prepare", prepare)
