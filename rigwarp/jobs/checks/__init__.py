"""Checks of a result and what puts it right: dots, quick looks, drift, refining, watching."""
