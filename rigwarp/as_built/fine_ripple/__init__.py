"""A ripple finer than the projector's beam, from how the stripes fade."""
