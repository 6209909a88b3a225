"""prewarp."""
