"""Retests, controls, and what the rules cost."""
