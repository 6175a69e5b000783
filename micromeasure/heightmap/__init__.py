"""Height maps: from a focus stack, and the dome measured in them."""
