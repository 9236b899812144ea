"""Floor 2: the description of one instrument."""
