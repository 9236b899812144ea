"""Floor 4: calibration photographs in; results with their uncertainties out. Never a file."""
