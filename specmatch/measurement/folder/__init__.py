"""The sheets of a measured folder."""
