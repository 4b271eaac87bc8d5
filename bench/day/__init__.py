"""A whole day at the rig, played by chance, with every rule looked at."""
