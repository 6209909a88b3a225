"""decode."""
