"""All camera pixels of a scan: each with its position or the reason why it has none."""
