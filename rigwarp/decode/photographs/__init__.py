"""Each photograph by itself: which pattern it shows, where the camera stood, and how bright the light was."""
