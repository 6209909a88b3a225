"""The camera's live picture for aiming, and taking the board's photographs with it."""
