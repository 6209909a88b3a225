"""The uncertainty budget of a warp on the table, and what the check grid says of it."""
