"""From a reading to a decision on a claim."""
