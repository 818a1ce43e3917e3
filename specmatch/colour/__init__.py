"""Beer colour by transmission and by the eye."""
