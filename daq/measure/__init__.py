"""From typed frames to readings: speed, force, engine speed, slip and the balance of them."""
