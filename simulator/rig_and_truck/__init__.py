"""The physical side: rolls, absorbers and supplies, truck and driver, weather, without the wire."""
