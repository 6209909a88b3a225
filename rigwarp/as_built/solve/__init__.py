"""The maximum-a-posteriori fit of the built mirror: data, unknowns, derivatives, solution."""
