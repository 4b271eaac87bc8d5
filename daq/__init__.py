"""From bytes to numbers you can trust: wire, device time, speed, force, recording, results."""
