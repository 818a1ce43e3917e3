"""Statistics that know nothing of spectra."""
