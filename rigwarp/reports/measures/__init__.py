"""What a map or a design does on the table, in numbers."""
