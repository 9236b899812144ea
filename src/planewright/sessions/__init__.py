"""Floor 3: one specimen on one day: the session's settings, folder, lock and provenance."""
