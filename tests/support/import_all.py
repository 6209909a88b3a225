"""Imports every module of rigwarp, in the one Python that it is run with."""

import importlib
import pkgutil

import rigwarp

for module in pkgutil.walk_packages(rigwarp.__path__, "rigwarp."):
    importlib.import_module(module.name)
