"""Is a module fit for use: wavelengths, linearity, stray light, noise, drift and repeatability, each with its limit."""
