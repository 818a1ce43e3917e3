"""What brings the spectra of one module to those of another: calibration transfer."""
