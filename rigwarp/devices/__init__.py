"""devices."""
