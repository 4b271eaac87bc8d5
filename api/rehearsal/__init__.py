"""A test against the simulated rig in virtual time: the same core, the same bytes."""
