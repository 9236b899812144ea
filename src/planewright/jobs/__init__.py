"""Floor 11: one function for each thing a person can ask for that takes time or writes."""
