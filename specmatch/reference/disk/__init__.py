"""A set on disk."""
