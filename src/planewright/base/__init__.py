"""Floor 0: nouns and settings that rooms share, problems, progress, blocks, safe file writing."""
