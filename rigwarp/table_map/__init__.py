"""table_map."""
