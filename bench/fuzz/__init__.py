"""Damaged bytes to everything that reads bytes."""
