"""Results: the fit with its mirror and budget, results derived from others, and what is written from them."""
