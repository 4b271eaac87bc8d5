"""What a killed process loses of a recording and of the catalogue."""
