"""What people and programs are shown."""
