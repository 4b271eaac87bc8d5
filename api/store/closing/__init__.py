"""From a run that has ended to its evaluation: its folder closed, worked out, and again later."""
