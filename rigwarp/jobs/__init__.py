"""What each command does, as functions of a rig folder that print nothing: (RigFolder, options, progress) -> result."""
