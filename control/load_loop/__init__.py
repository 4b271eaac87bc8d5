"""From a demand to currents asked of the supplies: observers, feedback, sharing, force loops."""
