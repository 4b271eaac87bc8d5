"""What the proving catches: random rigs, each with one known wrong or none."""
