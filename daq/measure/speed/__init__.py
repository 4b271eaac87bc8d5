"""Tooth edges to roll speed and acceleration: which tooth, fitted, with its variance and delay."""
