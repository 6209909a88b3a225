"""camera."""
