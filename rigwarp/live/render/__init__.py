"""From a content picture to the projector's frame: CPU, GPU, and the slow reference."""
