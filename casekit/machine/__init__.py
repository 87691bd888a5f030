"""Machine: the parts, how they are joined, and what can break."""
