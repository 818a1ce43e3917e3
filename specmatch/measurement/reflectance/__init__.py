"""From counts to reflectance."""
