"""What looks wrong in a set."""
