"""Effort against error of a hold, over the settings of the loop."""
