"""The view: a camera that looks at the table through mirrors, from its map to a straight picture of the table."""
