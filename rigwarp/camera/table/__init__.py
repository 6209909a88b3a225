"""The camera over the table: its pose, told by the sheet, and what else the sheet tells."""
