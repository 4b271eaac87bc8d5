"""The loop process and the narrow channel to it."""
