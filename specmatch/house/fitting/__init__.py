"""From a set to everything that a model holds."""
