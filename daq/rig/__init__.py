"""What the machine and the air are: rig file, units at the edges, gravity, weather."""
