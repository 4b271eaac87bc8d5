"""Torque map of an eddy-current absorber, its inverse, and its identification."""
