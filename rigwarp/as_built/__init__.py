"""as_built."""
