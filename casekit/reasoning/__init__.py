"""Reasoning: what the evidence says. It sees the drawing and the log, never the fault."""
