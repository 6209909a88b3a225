"""From a CAD export to mirror surfaces, and whether the export is fine enough."""
