"""Whoever stands at the table, or sends messages to it: correcting, measuring, keeping the warp up to date."""
