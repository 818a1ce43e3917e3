"""Spectra as arrays: band, noise, transforms, spikes."""
