"""What processes tell each other: messages through pipes, commands, keys, addresses, figures. It is quick to import."""
