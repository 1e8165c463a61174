"""Before and after the dive: what the coil can see, where to swim, what was missed."""
