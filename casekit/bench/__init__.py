"""Bench: what a person can do to a machine, and what they see."""
