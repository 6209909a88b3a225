"""The bench and its camera: what is connected, what the camera sees, and its calibration."""
