"""From spectra to a value with an interval."""
