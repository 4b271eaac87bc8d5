"""From numbers to load on the rolls: a pure, clock-free, step-driven core without I/O."""
