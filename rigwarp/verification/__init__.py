"""verification."""
