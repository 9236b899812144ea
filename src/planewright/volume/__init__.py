"""Floor 5: steadying, evening, orientation, and the store."""
