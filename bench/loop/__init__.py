"""Frames timed from outside, in one process and in two, before a crowd."""
