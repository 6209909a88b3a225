"""The chapters of the report."""
