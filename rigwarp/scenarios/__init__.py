"""Ready-made rigs to start from: each is a folder here with a rig.toml, and a virtual.toml for the virtual rig."""

from rigwarp.scenarios.create import create_rig, scenario_names
from rigwarp.scenarios.own_rig import create_own_rig

__all__ = ["create_own_rig", "create_rig", "scenario_names"]
