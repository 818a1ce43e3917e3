"""Whether a scan is fit to be judged."""
