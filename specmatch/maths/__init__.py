"""Pure mathematics on arrays: NumPy and SciPy only."""
