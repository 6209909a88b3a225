"""The page beside the table: served by a process of its own, and what it does by the facade `rigwarp.open_rig`."""
