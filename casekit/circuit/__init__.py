"""Circuit: what the physics does."""
