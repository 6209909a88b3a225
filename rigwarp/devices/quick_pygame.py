"""pygame, without what it looks for first: pkg_resources, 9 MB and on a board half a second for the sake of an icon.

And without its mixer, 4 MB of sound decoders; a scene that wants sound imports `pygame.mixer` itself.
"""

import sys
from typing import Any

_modules: dict[str, Any] = sys.modules
_left_out = {"pkg_resources", "pygame.mixer", "pygame.mixer_music"} - set(_modules)
_modules |= dict.fromkeys(_left_out)  # importing it fails, as where it is not installed
try:
    import pygame
finally:
    for _name in _left_out:
        del _modules[_name]  # others may still want it

__all__ = ["pygame"]
