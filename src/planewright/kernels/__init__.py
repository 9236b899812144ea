"""Pure array functions: shift, resample, transforms, sharpness, noise. Plain arrays in and out."""
