"""A model on disk: arrays and a manifest, no code."""
