"""pygame, without what it looks for first: pkg_resources, 9 MB and on a board half a second for the sake of an icon."""

import sys
from typing import Any

_NAME = "pkg_resources"
_modules: dict[str, Any] = sys.modules
_loaded_before = _NAME in _modules
if not _loaded_before:
    _modules[_NAME] = None  # importing it fails, as where it is not installed
try:
    import pygame
finally:
    if not _loaded_before:
        _modules.pop(_NAME, None)  # others may still want it

__all__ = ["pygame"]
