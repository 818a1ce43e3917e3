"""What good scans look like, and which known fault best explains another."""
