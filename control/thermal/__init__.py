"""Heat of rotors and coils: models, observers, derating, usage."""
