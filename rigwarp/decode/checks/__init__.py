"""What a few photographs tell before a scan: light, sharpness, steadiness, scaling."""
