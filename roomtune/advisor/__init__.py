"""From measured responses to a complete tuning, step by step, each step explained."""
