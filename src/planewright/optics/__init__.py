"""Floor 1: pure physics of light; floats and arrays in, floats and arrays out."""
