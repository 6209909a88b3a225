"""The lens from photographs of a hand-held board."""
