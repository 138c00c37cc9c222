"""What reading costs."""
