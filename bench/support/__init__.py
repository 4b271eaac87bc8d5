"""What the bench commands share: rigs, recorded runs, shops, feeders."""
