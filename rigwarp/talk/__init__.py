"""What processes tell each other: messages through pipes, commands, keys, figures. It is quick to import."""
