"""Control charts of a line, drift, and what to do about a model."""
