"""Blinking dots: planned, drawn, read, located, judged, and what follows from where they landed."""
