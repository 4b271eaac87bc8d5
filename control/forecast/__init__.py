"""Can the rig run this plan? Duty, endurance and the answer before a test."""
