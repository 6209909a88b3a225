"""The pictures of the report."""
