"""Which spectra a set speaks for."""
