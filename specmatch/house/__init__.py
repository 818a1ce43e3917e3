"""The house model: everything fitted on one reference set, and how good it is."""
