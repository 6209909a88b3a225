"""Photographs that certainly show what the display shows."""
