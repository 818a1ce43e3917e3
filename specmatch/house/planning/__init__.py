"""Before the first batch: what a set of a house would show, simulated from what the house states of itself."""
