"""The frames of a scan: shown, photographed, kept, continued, exported, imported."""
