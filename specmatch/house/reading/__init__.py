"""What is said of samples."""
