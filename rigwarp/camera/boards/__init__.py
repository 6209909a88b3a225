"""The printed board: its corners, how they are found, how a real print differs."""
