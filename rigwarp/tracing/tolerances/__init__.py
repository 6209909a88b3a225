"""What the tolerances of a design do to its picture."""
