"""From an impulse response to what an acoustician reads from it."""
