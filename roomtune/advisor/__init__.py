"""From measured responses to a complete tuning, each step with its evidence."""
