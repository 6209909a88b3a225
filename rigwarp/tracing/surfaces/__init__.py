"""Mirror surfaces: the contract, and each kind that keeps it."""
