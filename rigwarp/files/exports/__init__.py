"""The warp for other programs, in open formats."""
